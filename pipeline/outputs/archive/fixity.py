"""What was found about a copy and when: a line each, in a file beside the bag that only grows.

It stands beside the bag because it has a clock, and copies of a weld are equal byte for byte.
"""

from __future__ import annotations

import json
import os
from collections import Counter
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from pathlib import Path

import pipeline
from pipeline.outputs.archive.check import Checked, FaultKind

RECORD_ENDING = ".fixity.jsonl"
"""What a bag's record is called beside the bag's own name."""


@dataclass(frozen=True, slots=True)
class FixityRecord:
    """One look at a copy: ``what`` was done (``written``, ``verified``, ``repaired``), whether the
    copy was ``sound`` then, its ``identity``, and sentences about ``faults`` and what was done."""

    when: str
    what: str
    sound: bool
    identity: str
    files: int
    size: int
    faults: tuple[str, ...]
    done: tuple[str, ...]
    software: str


def fixity_path(bag: Path) -> Path:
    """Where the records about a copy stand."""
    return bag.with_name(f"{bag.name}{RECORD_ENDING}")


def read_fixity(bag: Path) -> tuple[FixityRecord, ...]:
    """All records about a copy, the oldest first; lines that can't be read are passed over."""
    try:
        lines = fixity_path(bag).read_text(encoding="utf-8", errors="replace").splitlines()
    except OSError:
        return ()
    records = []
    for line in lines:
        try:
            told = json.loads(line)
            told |= {"faults": tuple(told["faults"]), "done": tuple(told["done"])}
            records.append(FixityRecord(**told))
        except (ValueError, TypeError, KeyError):  # torn by a power cut, or damaged
            continue
    return tuple(records)


def written_identity(bag: Path) -> str:
    """The identity that the bag had whenever it was sound; "" where nobody knows.

    Where the records differ one of them is damaged, and what most of them say counts.
    """
    known = Counter(record.identity for record in read_fixity(bag) if record.sound)
    return known.most_common(1)[0][0] if known else ""


def note_fixity(checked: Checked, what: str, done: Sequence[str] = ()) -> str:
    """Add a record about a copy; returns why it couldn't be kept, or "".

    Where rights were lacking nothing is known of the copy, so nothing is recorded; under a name
    that isn't the bag's neither.
    """
    if checked.unread:
        return "nothing was recorded: what can't be read may be sound"
    if any(fault.kind is FaultKind.NAME for fault in checked.faults):
        return "nothing was recorded under a name that isn't its own"
    record = FixityRecord(
        when=datetime.now(UTC).isoformat(timespec="seconds"),
        what=what,
        sound=checked.sound,
        identity=checked.identity,
        files=len(checked.found),
        size=checked.size,
        faults=tuple(map(str, checked.faults)),
        done=tuple(done),
        software=f"girthstrip {pipeline.__version__}",
    )
    line = (json.dumps(asdict(record), sort_keys=True) + "\n").encode()
    try:
        descriptor = os.open(
            fixity_path(checked.bag), os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o666
        )
        try:
            if os.lseek(descriptor, 0, os.SEEK_END) and not _ends_with_a_line(checked.bag):
                line = b"\n" + line  # the last one was torn
            os.write(descriptor, line)
            os.fsync(descriptor)
        finally:
            os.close(descriptor)
    except OSError as error:
        return f"the record couldn't be kept beside it ({error.strerror})"
    return ""


def _ends_with_a_line(bag: Path) -> bool:
    with fixity_path(bag).open("rb") as stream:
        stream.seek(-1, os.SEEK_END)
        return stream.read(1) == b"\n"
