"""A library of calibrations as a folder: calibrations that never change, records that only grow.

    LIBRARY/library.json          what this folder is
    LIBRARY/status/000001.json    one decision: which calibration, what, when, who, why
    LIBRARY/SERIAL_DATE_IDENTITY/ a calibration as girthstrip calibrate made it, write-protected

Each record holds the SHA-256 of the one before it, so that none but the last can be changed or
taken out unnoticed. Nothing in a library is ever changed or deleted.
"""

from __future__ import annotations

import errno
import fcntl
import json
import os
import re
import shutil
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any, NoReturn

from pipeline.calibration.library import (
    SHOWN_DIGITS,
    Entry,
    Status,
    StatusRecord,
    moment,
    next_record,
)
from pipeline.calibration.product import CalibrationFacts, CalibrationSet
from pipeline.errors import CalibrationError, OutputError
from pipeline.io.calibration_store import read_calibration, read_facts
from pipeline.io.digest import sha256_file
from pipeline.io.folders import new_folder

LIBRARY_FILE, STATUS_FOLDER = "library.json", "status"
_SCHEMA = "girthstrip.library/1"
_RECORD_SCHEMA = "girthstrip.status/1"
_RECORD_KEYS = {
    *("schema", "identity", "status", "when", "who", "reason", "successor", "previous"),
}
_READ_ONLY = 0o444


@dataclass(frozen=True, slots=True)
class Library:
    """A library as it was when it was read: its folder and calibrations, oldest record first."""

    folder: Path
    entries: tuple[Entry, ...]

    def path(self, entry: Entry) -> Path:
        """The folder of a calibration."""
        return self.folder / entry.name


def is_library(folder: Path) -> bool:
    """Whether the folder is a library."""
    return (folder / LIBRARY_FILE).is_file()


def read_library(folder: Path) -> Library:
    """All calibrations of a library with their records. Facts only: no arrays are read.

    Raises:
        CalibrationError: it is no library, or a calibration or a record is missing, damaged or
            changed.
    """
    _require_library(folder)
    records = _read_records(folder)
    found: dict[str, tuple[str, str, CalibrationFacts]] = {}
    for path in sorted(folder.iterdir()):
        if path.name == STATUS_FOLDER or path.name.startswith(".") or not path.is_dir():
            continue
        identity, facts = read_facts(path)
        if identity in found:
            _refuse(path, f"is the same calibration as {found[identity][0]}", "each one once")
        found[identity] = path.name, identity, facts
    lost = [record for record in records if record.identity not in found]
    if lost:
        _refuse(
            folder,
            f"lacks calibration {lost[0].identity[:SHOWN_DIGITS]}, "
            f"{lost[0].status} on {lost[0].when} by {lost[0].who}",
            "every calibration that was ever released",
        )
    order = list(dict.fromkeys(record.identity for record in records))
    order += [identity for identity in found if identity not in order]
    entries = [
        Entry(*found[identity], tuple(one for one in records if one.identity == identity))
        for identity in order
    ]
    return Library(folder, tuple(entries))


def add_calibration(library: Path, source: Path, decision: StatusRecord) -> Entry:
    """Copy a calibration into a library, whole or not at all, and record its release.

    ``library`` is made if nothing is there. ``decision`` tells when, who and why; one that is in
    the library already is only recorded. ``source`` stays as it is.

    Raises:
        CalibrationError: ``source`` is no sound calibration, or its release makes no sense.
        OutputError: the library can't be written.
    """
    calibration = read_calibration(source)
    if calibration.identity != decision.identity:
        raise ValueError("the decision is about another calibration")
    _begin(library)
    with _locked(library):
        known = {entry.identity: entry for entry in read_library(library).entries}
        entry = known.get(calibration.identity)
        if entry is None:
            name = _folder_name(calibration, decision.when)
            entry = Entry(name, calibration.identity, calibration.facts)
        record = _decided(entry, decision)
        if calibration.identity not in known:
            _copy(source, library / entry.name)
        _append(library, record)
    return Entry(entry.name, entry.identity, entry.facts, (*entry.records, record))


def add_decision(library: Path, decision: StatusRecord) -> Entry:
    """Record a decision about a calibration that is in the library.

    Raises:
        CalibrationError: the library is unsound, or the decision makes no sense.
        OutputError: the library can't be written.
    """
    _require_library(library)
    with _locked(library):
        entries = read_library(library).entries
        entry = next(one for one in entries if one.identity == decision.identity)
        record = _decided(entry, decision)
        _append(library, record)
    return Entry(entry.name, entry.identity, entry.facts, (*entry.records, record))


def _decided(entry: Entry, decision: StatusRecord) -> StatusRecord:
    """The decision as a record, judged by what the library says at this very moment."""
    return next_record(
        entry,
        decision.status,
        when=decision.when,
        who=decision.who,
        reason=decision.reason,
        successor=decision.successor,
    )


def _require_library(folder: Path) -> None:
    path = folder / LIBRARY_FILE
    remedy = "Name a library's folder; girthstrip calibrate release begins a new one"
    if not path.is_file():
        raise CalibrationError("is no library of calibrations", where=str(folder), remedy=remedy)
    try:
        schema = json.loads(path.read_text(encoding="utf-8")).get("schema")
    except (OSError, ValueError, AttributeError, RecursionError) as error:
        _refuse(path, f"can't be read ({error})", "a JSON text")
    if schema != _SCHEMA:
        _refuse(path, f"has schema {schema!r}", repr(_SCHEMA))


def _begin(folder: Path) -> None:
    """Make an empty library unless one is there."""
    if is_library(folder):
        return
    if os.path.lexists(folder) and (not folder.is_dir() or any(folder.iterdir())):
        raise OutputError(
            "is in the way: it is neither a library nor an empty folder",
            where=str(folder),
            remedy="Name another folder for the library",
        )
    with new_folder(folder, replace=True, own_files=(LIBRARY_FILE,)) as partial:
        (partial / STATUS_FOLDER).mkdir()
        text = json.dumps({"schema": _SCHEMA}, indent=1) + "\n"
        (partial / LIBRARY_FILE).write_text(text, encoding="ascii")


@contextmanager
def _locked(folder: Path) -> Iterator[None]:
    """One writer at a time; where the file system has no locks, the numbering still protects."""
    try:
        descriptor = os.open(folder / LIBRARY_FILE, os.O_RDONLY)
    except OSError as error:
        raise OutputError(f"can't be opened ({error.strerror})", where=str(folder)) from error
    try:
        with suppress(OSError):
            fcntl.flock(descriptor, fcntl.LOCK_EX)
        yield
    finally:
        os.close(descriptor)


def _folder_name(calibration: CalibrationSet, when: str) -> str:
    """``SERIAL_DATE_IDENTITY``, of letters that every file system takes."""
    serial = re.sub(r"[^A-Za-z0-9.-]+", "-", calibration.facts.serial).strip("-.") or "panel"
    date = moment(calibration.facts.valid_from or when)
    return f"{serial}_{date:%Y-%m-%d}_{calibration.identity[:SHOWN_DIGITS]}"


def _copy(source: Path, final: Path) -> None:
    with new_folder(final) as partial:
        for path in sorted(source.iterdir()):
            if path.is_file():
                shutil.copyfile(path, partial / path.name)
        read_calibration(partial)  # what was copied is what was read
        for path in partial.iterdir():
            path.chmod(_READ_ONLY)


def _append(folder: Path, record: StatusRecord) -> None:
    """Write the next record, whole or not at all."""
    paths = _record_paths(folder)
    final = folder / STATUS_FOLDER / f"{len(paths) + 1:06d}.json"
    content = {
        "schema": _RECORD_SCHEMA,
        "identity": record.identity,
        "status": str(record.status),
        "when": record.when,
        "who": record.who,
        "reason": record.reason,
        "successor": record.successor,
        "previous": sha256_file(paths[-1]) if paths else None,
    }
    text = json.dumps(content, indent=1, sort_keys=True) + "\n"
    partial = final.with_name(f".{final.name}.partial-{os.getpid()}")
    try:
        with partial.open("w", encoding="ascii") as file:
            file.write(text)
            file.flush()
            os.fsync(file.fileno())
        partial.chmod(_READ_ONLY)
        if final.exists():
            raise FileExistsError(errno.EEXIST, "another decision was recorded at the same moment")
        partial.rename(final)
    except OSError as error:
        raise OutputError(
            f"the decision can't be recorded ({error.strerror or error})",
            where=str(final),
            remedy="Check the rights and the free space of the library, and try again",
        ) from error
    finally:
        partial.unlink(missing_ok=True)


def _record_paths(folder: Path) -> list[Path]:
    status = folder / STATUS_FOLDER
    if not status.is_dir():
        _refuse(status, "is missing", "the folder of the library's records")
    paths = sorted(path for path in status.iterdir() if not path.name.startswith("."))
    for number, path in enumerate(paths, start=1):
        if path.name != f"{number:06d}.json":
            _refuse(path, "is out of order", f"{number:06d}.json: a record is missing or foreign")
    return paths


def _read_records(folder: Path) -> Sequence[StatusRecord]:
    records = []
    previous: str | None = None
    for path in _record_paths(folder):
        try:
            content = json.loads(path.read_text(encoding="utf-8"))
        except (OSError, ValueError, RecursionError) as error:
            _refuse(path, f"can't be read ({error})", "a JSON text")
        if not isinstance(content, dict) or set(content) != _RECORD_KEYS:
            _refuse(path, "is no record of a decision", ", ".join(sorted(_RECORD_KEYS)))
        if content["previous"] != previous:
            _refuse(path, "doesn't follow from the record before it", "records as they were made")
        records.append(_parsed(path, content))
        previous = sha256_file(path)
    return records


def _parsed(path: Path, content: dict[str, Any]) -> StatusRecord:
    texts = ("identity", "status", "when", "who", "reason")
    successor = content["successor"]
    try:
        if not all(isinstance(content[name], str) for name in texts):
            raise ValueError("not all its values are texts")
        if not (successor is None or isinstance(successor, str)):
            raise ValueError("successor is no text")
        moment(content["when"])
        return StatusRecord(
            identity=content["identity"],
            status=Status(content["status"]),
            when=content["when"],
            who=content["who"],
            reason=content["reason"],
            successor=successor,
        )
    except ValueError as error:
        _refuse(path, f"is no record of a decision ({error})", "what girthstrip wrote")


def _refuse(path: Path, what: str, expected: str) -> NoReturn:
    raise CalibrationError(
        what,
        where=str(path),
        expected=expected,
        remedy="Restore the library from its copy; nothing in it may be changed or deleted",
    )
