"""New results put in the place of the old ones, which are kept: all of them, or none.

What is about to be done is written down first; from then on it is only ever completed, by the same
call or by the next one. Each weld takes two renames, old result → ``result.before-…`` and new one →
``result``; what stands where tells how far it got.
"""

from __future__ import annotations

import json
import os
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import asdict, dataclass
from pathlib import Path

from pipeline.batch.entry import Entry
from pipeline.batch.names import beside_text, kept_beside
from pipeline.batch.task import log_digest, note_once
from pipeline.errors import InputError, OutputError
from pipeline.io.fault_list import fault_list
from pipeline.io.folders import flush_entry
from pipeline.io.pictures import open_picture

Progress = Callable[[str, int, int], None]

_LIST = "accept.json"


@dataclass(frozen=True, slots=True)
class Move:
    """One weld's: absolute paths of the result, of the new one, and of what the old one becomes;
    and the SHA-256 of both quality logs."""

    weld: str
    result: str
    new: str
    kept: str
    old_log: str
    new_log: str


@dataclass(frozen=True, slots=True)
class Accepted:
    """A weld whose new result is in its place; ``note`` tells of an audit log that couldn't be
    written."""

    weld: str
    result: Path
    kept: Path
    note: str = ""


def interrupted(state: Path) -> bool:
    """Whether an ``accept`` was cut off and has to be completed first."""
    return (state / _LIST).exists()


def accept(
    state: Path, entries: Sequence[Entry], threads: int, progress: Progress | None = None
) -> Sequence[Accepted]:
    """Have the new results of these welds take the place of the old ones.

    Each is read first, and held against its own log; one that isn't sound stops all.

    Raises:
        InputError: a new result isn't what was made; nothing was moved.
        OutputError: the folders can't be renamed; the next call goes on.
    """
    progress = progress or (lambda *_: None)
    moves, faults = [], []
    with ThreadPoolExecutor(threads) as pool:
        for done, (move, fault) in enumerate(pool.map(_checked, entries), start=1):
            moves.append(move)
            faults += [fault] if fault else []
            progress("reading new results", done, len(entries))
    if faults:
        raise InputError(
            f"{len(faults)} of {len(entries)} new results aren't sound, so none was accepted: "
            f"{fault_list(faults)}",
            remedy="Remove the unsound ones and run the batch again, or name with --weld which "
            "welds are accepted",
        )
    if not moves:
        return []
    _write_list(state, moves)
    return complete(state, progress)


def complete(state: Path, progress: Progress | None = None) -> Sequence[Accepted]:
    """Do what is written down: all of it, or what an interrupted call left.

    Raises:
        InputError: a folder isn't what was written down.
        OutputError: a folder can't be renamed.
    """
    progress = progress or (lambda *_: None)
    path = state / _LIST
    if not path.exists():
        return []
    try:
        moves = [Move(**one) for one in json.loads(path.read_text(encoding="utf-8"))]
    except (OSError, ValueError, TypeError) as error:
        raise InputError(f"can't be read ({error})", where=str(path)) from error
    accepted = []
    for done, move in enumerate(moves, start=1):
        accepted.append(_moved(move, path))
        progress("accepting new results", done, len(moves))
    path.unlink()
    flush_entry(state)
    return accepted


def _checked(entry: Entry) -> tuple[Move, str]:
    new = Path(beside_text(entry.result))
    kept = kept_beside(Path(entry.result), entry.log_sha256)
    move = Move(entry.weld, entry.result, str(new), str(kept), entry.log_sha256, log_digest(new))
    try:
        opened = open_picture(new)
    except (InputError, OSError) as error:
        return move, str(error)
    assert opened.log is not None
    return move, ""


def _moved(move: Move, path: Path) -> Accepted:
    result, new, kept = Path(move.result), Path(move.new), Path(move.kept)
    try:
        if log_digest(new) == move.new_log:
            if log_digest(result) == move.old_log and not os.path.lexists(kept):
                result.rename(kept)
                flush_entry(result.parent)
            if os.path.lexists(result):
                raise InputError(
                    "is another result than when accepting began",
                    where=str(result),
                    remedy=f"Find out who changed it; {path} says what was to be done",
                )
            new.rename(result)
            flush_entry(result.parent)
        elif log_digest(result) != move.new_log:
            raise InputError(
                "the new result is gone",
                where=str(new),
                remedy=f"Put it back from a copy; {path} says what was to be done",
            )
    except OSError as error:
        raise OutputError(
            f"can't be renamed ({error.strerror or error})",
            where=str(result),
            remedy="Check the rights and the disk, then call girthstrip batch accept again: it "
            "goes on",
        ) from error
    note = note_once(result, "accept", {"kept": kept.name, "before": move.old_log})
    return Accepted(move.weld, result, kept, note)


def _write_list(state: Path, moves: Sequence[Move]) -> None:
    partial = state / f".{_LIST}.partial"
    with partial.open("w", encoding="utf-8") as file:
        json.dump([asdict(one) for one in moves], file, indent=1)
        file.flush()
        os.fsync(file.fileno())
    partial.rename(state / _LIST)
    flush_entry(state)
