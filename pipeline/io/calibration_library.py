"""A library of calibrations as a folder: calibrations that never change, records that only grow.

    LIBRARY/library.json          what this folder is
    LIBRARY/status/000001.json    one decision: which calibration, what, when, who, why
    LIBRARY/SERIAL_DATE_IDENTITY/ a calibration as girthstrip calibrate made it, write-protected

``library.json`` also counts the records and holds the SHA-256 of the last, see
``chained_records``. Nothing else in a library is ever changed, and nothing is deleted. Folders and
files that don't belong are named and left alone.
"""

from __future__ import annotations

import os
import re
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from pipeline.calibration.decisions import (
    SHOWN_DIGITS,
    Entry,
    StatusRecord,
    moment,
    next_record,
)
from pipeline.calibration.product import CalibrationFacts, CalibrationSet
from pipeline.errors import CalibrationError, OutputError
from pipeline.io.calibration_store import read_calibration, read_facts
from pipeline.io.decision_records import DECISIONS, append_record, read_records
from pipeline.io.folders import CALIBRATION_FILE, LIBRARY_FILE, clear_stale_in, new_folder

_READ_ONLY = 0o444


@dataclass(frozen=True, slots=True)
class Library:
    """A library as it was when it was read: its folder and calibrations, oldest record first.

    ``foreign`` are the names of folders in it that are no calibrations.
    """

    folder: Path
    entries: tuple[Entry, ...]
    foreign: tuple[str, ...] = ()

    def path(self, entry: Entry) -> Path:
        """The folder of a calibration."""
        return self.folder / entry.name


def is_library(folder: Path) -> bool:
    """Whether the folder is a library."""
    return os.path.isfile(folder / LIBRARY_FILE)  # noqa: PTH113 - false where rights are lacking


def _is_calibration(folder: Path) -> bool:
    """Whether the folder has a calibration's record; one that may not be looked into is refused."""
    try:
        return (folder / CALIBRATION_FILE).exists()
    except OSError as error:
        DECISIONS.refuse_reading(folder, error)


def read_library(folder: Path) -> Library:
    """All calibrations of a library with their records. Facts only: no arrays are read.

    Raises:
        CalibrationError: it is no library, or a calibration or a record is missing, damaged or
            changed.
    """
    _require_library(folder)
    records = read_records(folder)
    found: dict[str, tuple[str, str, CalibrationFacts]] = {}
    foreign: list[str] = []
    for path in sorted(folder.iterdir()):
        if path.name == DECISIONS.records or path.name.startswith(".") or not path.is_dir():
            continue
        if not _is_calibration(path):
            foreign.append(path.name)
            continue
        identity, facts = read_facts(path)
        if identity in found:
            DECISIONS.refuse(
                path, f"is the same calibration as {found[identity][0]}", "each one once"
            )
        found[identity] = path.name, identity, facts
    lost = [record for record in records if record.identity not in found]
    if lost:
        digits = lost[0].identity[:SHOWN_DIGITS]
        emptied = [name for name in foreign if name.endswith(digits)]
        DECISIONS.refuse(
            folder,
            f"lacks calibration {digits}, {lost[0].status} on {lost[0].when} by {lost[0].who}"
            + (f"; {emptied[0]} has no {CALIBRATION_FILE}" if emptied else ""),
            "every calibration that was ever released",
        )
    order = list(dict.fromkeys(record.identity for record in records))
    order += [identity for identity in found if identity not in order]
    entries = [
        Entry(*found[identity], tuple(one for one in records if one.identity == identity))
        for identity in order
    ]
    return Library(folder, tuple(entries), tuple(foreign))


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
        append_record(library, record)
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
        append_record(library, record)
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
    try:
        if path.is_file():
            return
        begun = (folder / DECISIONS.records).is_dir()
    except OSError as error:
        DECISIONS.refuse_reading(path, error)
    if begun:
        DECISIONS.refuse(
            path, "is missing", "the file that says what this folder is, beside status"
        )
    raise CalibrationError(
        "is no library of calibrations",
        where=str(folder),
        remedy="Name a library's folder; girthstrip calibrate release begins a new one",
    )


def _begin(folder: Path) -> None:
    """Make an empty library unless one is there."""
    if is_library(folder):
        return
    if os.path.lexists(folder) and (not folder.is_dir() or any(folder.iterdir())):
        if (folder / DECISIONS.records).is_dir():
            _require_library(folder)
        raise OutputError(
            "is in the way: it is neither a library nor an empty folder",
            where=str(folder),
            remedy="Name another folder for the library",
        )
    with new_folder(folder, replace=True, own_files=(LIBRARY_FILE,)) as partial:
        DECISIONS.begin(partial)


@contextmanager
def _locked(folder: Path) -> Iterator[None]:
    """One writer at a time; what a killed writer left half-made is cleared away."""
    with DECISIONS.locked(folder):
        clear_stale_in(folder)
        yield


def _folder_name(calibration: CalibrationSet, when: str) -> str:
    """``SERIAL_DATE_IDENTITY``, of letters that every file system takes."""
    serial = re.sub(r"[^A-Za-z0-9.-]+", "-", calibration.facts.serial).strip("-.") or "panel"
    date = moment(calibration.facts.valid_from or when)
    return f"{serial}_{date:%Y-%m-%d}_{calibration.identity[:SHOWN_DIGITS]}"


def _copy(source: Path, final: Path) -> None:
    with new_folder(final, into_library=True) as partial:
        for path in sorted(source.iterdir()):
            if path.is_file():
                shutil.copyfile(path, partial / path.name)
        read_calibration(partial)  # what was copied is what was read
        for path in partial.iterdir():
            path.chmod(_READ_ONLY)
