"""Which welds are archived, as far as names, records and sizes tell; no file is read."""

from __future__ import annotations

import os
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from pipeline.errors import InputError
from pipeline.outputs.archive.bag_text import INFO_FILE, PAYLOAD, oxum_text, oxum_words, read_info
from pipeline.outputs.archive.check import is_bag
from pipeline.outputs.archive.copies import differences, wrong_name
from pipeline.outputs.archive.devices import disk_of, independent
from pipeline.outputs.archive.fixity import RECORD_ENDING, fixity_path, read_fixity
from pipeline.outputs.archive.places import cant_open, is_aside
from pipeline.outputs.archive.tree import files_below
from pipeline.outputs.archive.weld_source import bag_name_of, is_result


@dataclass(frozen=True, slots=True)
class CopyStatus:
    """A copy, its disk, when it was last proved, and why it doesn't count ("": it does)."""

    bag: Path
    disk: str
    proved_at: str
    identity: str
    problem: str


@dataclass(frozen=True, slots=True)
class ArchiveStatus:
    """The welds, and what couldn't be looked at: they may not be all."""

    welds: tuple[WeldStatus, ...]
    closed: tuple[InputError, ...]


@dataclass(frozen=True, slots=True)
class WeldStatus:
    """A weld's bag by its name, the result that it is of (None: not in this folder), its copies,
    how many count, each on a disk of its own, and in what those that count differ."""

    name: str
    result: Path | None
    copies: tuple[CopyStatus, ...]
    counting: int
    differ: tuple[str, ...]

    def archived(self, wanted: int) -> bool:
        """Whether enough copies were proved, and are of the same content."""
        return self.counting >= wanted and not self.differ


def archive_status(
    root: Path,
    places: Sequence[Path],
    *,
    same_device: bool,
    newest: datetime,
    max_age_days: float | None,
) -> ArchiveStatus:
    """Every result and every bag below ``root``, with the copies there and in ``places``.

    A copy counts that was sound when it was last read in full, is as large as it was, and, with
    ``max_age_days``, was read no longer ago than that before ``newest``.

    Raises:
        InputError: ``root`` holds no weld and no bag, or one of the folders can't be opened.
    """
    closed: list[InputError] = []
    results: dict[str, Path] = {}
    bags: dict[str, list[Path]] = {}
    for folder in dict.fromkeys((root, *places)):
        for found in _welds_below(folder, closed, top=True):
            if is_result(found):
                try:
                    results.setdefault(bag_name_of(found), found)
                except InputError as error:
                    closed.append(error)
            else:
                known = bags.setdefault(found.name, [])
                if all(not _same(found, one) for one in known):
                    known.append(found)
        if folder == root and not (results or bags or closed):
            raise InputError(
                "holds no bag and no weld",
                where=str(root),
                expected="a folder of results, or of an archive's bags",
                remedy="Name the folder that the welds' results lie in, or one given to --to",
            )
    told = []
    for name in sorted(results.keys() | bags.keys()):
        copies = tuple(_copy(bag, newest, max_age_days) for bag in bags.get(name, []))
        counting = [one for one in copies if not one.problem]
        told.append(
            WeldStatus(
                name,
                results.get(name),
                copies,
                independent([one.disk for one in counting], same_device=same_device),
                differences([(one.bag, one.identity) for one in counting]),
            )
        )
    return ArchiveStatus(tuple(told), tuple(closed))


def _welds_below(folder: Path, closed: list[InputError], *, top: bool = False) -> Iterator[Path]:
    """Results and bags; what lies inside of them isn't looked at, nor is what is hidden or was
    moved aside."""
    if is_result(folder) or is_bag(folder):
        yield folder
        return
    try:
        inside = sorted(folder.iterdir())
    except OSError as error:
        told = cant_open(folder, error, "a folder of welds or of bags")
        if top and not isinstance(error, PermissionError):
            raise told from error
        closed.append(told)
        return
    gone = {one.name.removesuffix(RECORD_ENDING) for one in inside if _is_record(one)}
    yield from (folder / name for name in sorted(gone - {one.name for one in inside}))
    for one in inside:
        passed_over = one.name.startswith(".") or is_aside(one.name)
        if passed_over or os.path.islink(one):  # noqa: PTH114 - false without rights
            continue
        if os.path.isdir(one):  # noqa: PTH112 - false without rights
            yield from _welds_below(one, closed)


def _is_record(path: Path) -> bool:
    bag = path.name.removesuffix(RECORD_ENDING)
    return bag != path.name and not (bag.startswith(".") or is_aside(bag))


def _copy(bag: Path, newest: datetime, max_age_days: float | None) -> CopyStatus:
    records = read_fixity(bag)
    last = records[-1] if records else None
    proved = next((record for record in reversed(records) if record.sound), None)
    try:
        disk = disk_of(bag.parent)
    except OSError as error:
        disk = error.strerror or str(error)
    problem = ""
    if os.path.isdir(bag) and not os.access(bag, os.R_OK | os.X_OK):  # noqa: PTH112
        problem = "can't be looked into (no right to)"
    elif not is_bag(bag):
        problem = "is gone"
    elif wrong := wrong_name(bag):
        problem = wrong
    elif last is None and os.path.lexists(fixity_path(bag)):
        problem = "its record can't be read: run girthstrip archive verify"
    elif last is None:
        problem = "was never read back: run girthstrip archive verify"
    elif not last.sound:
        problem = f"was found damaged on {last.when[:10]}: {last.faults[0] if last.faults else ''}"
    elif wrong := _wrong_size(bag):
        problem = wrong
    elif max_age_days is not None and _age_days(last.when, newest) > max_age_days:
        problem = f"was last read {_age_days(last.when, newest):.0f} days ago"
    return CopyStatus(
        bag, disk, proved.when if proved else "", last.identity if last else "", problem
    )


def _wrong_size(bag: Path) -> str:
    """Whether files were lost or cut short since; what changed within is for ``verify``."""
    try:
        told = read_info((bag / INFO_FILE).read_text(encoding="utf-8", errors="replace"))
        tree = files_below(bag / PAYLOAD)
        there = oxum_text(path.stat().st_size for path in tree.files.values())
    except OSError as error:
        return f"can't be looked into ({error.strerror})"
    if tree.denied:
        return f"can't be looked into ({tree.odd[min(tree.denied)]})"
    wanted = told.get("Payload-Oxum", there)
    if there == wanted:
        return ""
    return f"isn't whole: it had {oxum_words(wanted)}, there are {oxum_words(there)}"


def _age_days(when: str, newest: datetime) -> float:
    try:
        return (newest - datetime.fromisoformat(when)).total_seconds() / 86400
    except (ValueError, TypeError):  # a record that was tampered with proves nothing
        return float("inf")


def _same(one: Path, other: Path) -> bool:
    try:
        return one.samefile(other)
    except OSError:
        return one.absolute() == other.absolute()
