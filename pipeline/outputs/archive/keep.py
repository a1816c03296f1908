"""A weld put into the archive: one read of its files, a copy in each place, each read back."""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path
from threading import Lock

from pipeline.errors import InputError, OutputError
from pipeline.outputs.archive.bag_source import (
    BagSource,
    identity_of,
    source_of_bag,
    source_of_checked,
    source_of_weld,
)
from pipeline.outputs.archive.bag_text import shortened
from pipeline.outputs.archive.check import Checked, FaultKind, is_bag
from pipeline.outputs.archive.copies import check_copy, differences
from pipeline.outputs.archive.copying import Item, copy_items
from pipeline.outputs.archive.destinations import (
    require_another_place,
    require_beside,
    require_destinations,
)
from pipeline.outputs.archive.devices import disk_of, independent
from pipeline.outputs.archive.fixity import note_fixity, written_identity
from pipeline.outputs.archive.partial_copy import PartialCopy, why
from pipeline.outputs.archive.payload import added_items
from pipeline.outputs.archive.read_back import Content, Count, contents_of
from pipeline.outputs.archive.tree import files_below
from pipeline.outputs.archive.weld_source import find_weld

Progress = Callable[[str, int, int], None]
COPYING, READING_BACK = "archiving, copying (MB)", "archiving, reading the copies back (MB)"
READING = "archiving, reading copies that are there already (MB)"
_MEGABYTE = 10**6


@dataclass(frozen=True, slots=True)
class Copy:
    """What became of one copy: ``problem`` is "" where it is there and was read back just now.

    ``disk`` tells the disk it is on from others; ``new`` whether it was made now, ``resumed``
    whether from what an earlier run had left, ``kept`` whether the next one can go on with what is
    there. ``note`` is about its record.
    """

    bag: Path
    disk: str
    new: bool
    resumed: bool
    problem: str
    kept: bool = False
    note: str = ""


@dataclass(frozen=True, slots=True)
class Archived:
    """The copies of a weld, and how many on disks of their own are wanted and were proved.

    ``result`` is the result folder that was archived; None where it was a bag.
    """

    name: str
    result: Path | None
    identity: str
    copies: tuple[Copy, ...]
    wanted: int
    proved: int

    @property
    def archived(self) -> bool:
        """Whether the weld may be called archived."""
        return self.proved >= self.wanted


def archive_weld(
    weld: Path,
    destinations: Sequence[Path],
    *,
    wanted: int = 2,
    same_device: bool = False,
    job_sheet: Path | None = None,
    more: Sequence[Path] = (),
    progress: Progress | None = None,
) -> Archived:
    """Put a weld's bag into every destination that doesn't have it, and prove every copy.

    ``weld`` is a result folder, a weld's config, or a bag, which is then copied as it is. A
    destination that fails is told of in its ``Copy``; the others go on. Copies that are there
    already are read, never written to.

    Raises:
        InputError: the weld's files can't be read or aren't what the strip was made from.
        OutputError: the destinations can't make the copies that are wanted, however they behave.
    """
    told = progress or (lambda *_: None)
    found = None if is_bag(weld) else find_weld(weld)
    if found is not None:
        require_beside(found, destinations)
    require_destinations(destinations, wanted, same_device)
    added: Sequence[Item] = ()
    if found is None:
        require_another_place(weld, destinations)
        _require_nothing_added(weld, job_sheet, more)
        name = weld.resolve().name
    else:
        added = added_items(found, job_sheet, more)
        name = found.bag_name
    there = [root for root in destinations if os.path.lexists(root / name)]
    checked = {root: _proved(root / name, told) for root in there}
    sound = [one for one in checked.values() if one.sound]
    for one in sound or [one for one in checked.values() if one.expected]:
        _require_added(one, added)
    if unlike := differences([(one.bag, one.identity) for one in sound]):
        raise OutputError(
            "copies of this name differ, though each is sound: " + "; ".join(unlike),
            where=name,
            remedy="Find out which one is the weld's; the other needs another place",
        )
    absent = [root for root in destinations if root not in there]
    made: dict[Path, Copy] = {}
    if absent:
        if found is None:
            source = source_of_bag(weld)
        elif sound:
            source = source_of_checked(
                sound[0]
            )  # the same bytes, whatever became of the weld since
        else:
            source = source_of_weld(found, job_sheet, more)
        made = _make(name, source, absent, told)
    copies = [_old_copy(checked[root]) if root in checked else made[root] for root in destinations]
    identities = [one.identity for one in sound] + [
        written_identity(copy.bag) for copy in copies if copy.new and not copy.problem
    ]
    proved = independent(
        [copy.disk for copy in copies if not copy.problem], same_device=same_device
    )
    result = None if found is None else found.result
    return Archived(name, result, (identities or [""])[0], tuple(copies), wanted, proved)


def _make(name: str, source: BagSource, roots: Sequence[Path], told: Progress) -> dict[Path, Copy]:
    """New copies in all the folders that work; each is proved before it gets its name."""
    copies = {root: PartialCopy(root, name) for root in roots}
    try:
        total = sum(_size(item) for item in source.items)
        names = {item.name for item in source.items}
        for copy in copies.values():
            copy.start(names, total)
        copied = copy_items(source.items, list(copies.values()), _counter(told, COPYING, total))
        live = [copy for copy in copies.values() if not copy.failed]
        identity = ""
        if live:
            texts = source.texts(copied)
            identity = identity_of(texts)
            for tag, text in texts.items():
                for copy in live:
                    copy.put_text(tag, text)
        count = _counter(told, READING_BACK, total * len(live))
        with ThreadPoolExecutor(len(copies)) as pool:
            proofs = {
                root: pool.submit(_proved_new, root, copy, identity, count)
                for root, copy in copies.items()
            }
            return {root: proof.result() for root, proof in proofs.items()}
    finally:
        for copy in copies.values():
            copy.close()


def _proved_new(root: Path, copy: PartialCopy, identity: str, count: Count) -> Copy:
    checked = copy.prove(identity, count)
    copy.publish()
    note = ""
    if checked is not None and not copy.failed:
        note = note_fixity(replace(checked, bag=copy.final), "written")
    kept = copy.failed and copy.kept
    return Copy(copy.final, _disk(root), True, copy.resumed, copy.problem, kept, note)


def _proved(bag: Path, told: Progress) -> Checked:
    """A copy that is there already, read again."""
    size = sum(path.stat().st_size for path in files_below(bag).files.values())
    count = _counter(told, READING, size)
    return check_copy(bag, count)


def _require_nothing_added(bag: Path, job_sheet: Path | None, more: Sequence[Path]) -> None:
    if job_sheet is not None or more:
        raise InputError(
            "is a bag, which is copied as it is: nothing can be added to it",
            where=str(bag),
            remedy="Leave out --job-sheet and --with",
        )


def _require_added(there: Checked, added: Sequence[Item]) -> None:
    """What is to be kept with the weld must be in a copy that is there: it isn't changed."""
    wanted = contents_of({item.name: item.source for item in added}, there.algorithm)
    same = {
        name
        for name, found in wanted.items()
        if isinstance(found, Content) and found.digest == there.expected.get(name)
    }
    lost = [str(item.source) for item in added if item.name not in same]
    if lost:
        raise InputError(
            f"was archived before, without (or with another) {shortened(lost)}",
            where=str(there.bag),
            expected="what --job-sheet and --with name in it: a bag is never changed",
            remedy="Leave them out to keep the bag as it is; or stitch the weld again into a new "
            "folder with them, which gives a bag of its own",
        )


def _old_copy(checked: Checked) -> Copy:
    problem = ""
    if checked.unread:
        problem = f"is there, but can't be read: {checked.faults[0]}"
    elif checked.faults and checked.faults[0].kind is FaultKind.NAME:
        problem = f"is there, but isn't a copy of it: {checked.faults[0].text}"
    elif not checked.sound:
        problem = (
            f"is there, but damaged: {checked.faults[0]}"
            + (f" and {len(checked.faults) - 1} more" if len(checked.faults) > 1 else "")
            + ". girthstrip archive repair mends it from a good copy"
        )
    note = note_fixity(checked, "verified")
    return Copy(checked.bag, _disk(checked.bag.parent), False, False, problem, False, note)


def _counter(told: Progress, what: str, total: int) -> Count:
    """Counts bytes, from any thread, and tells megabytes."""
    done, lock = 0, Lock()
    whole = -(-total // _MEGABYTE)

    def count(size: int) -> None:
        nonlocal done
        with lock:
            before, done = done // _MEGABYTE, done + size
            now = whole if done >= total else done // _MEGABYTE
            if now > before:
                told(what, now, whole)

    return count


def _size(item: Item) -> int:
    try:
        return item.source.stat().st_size
    except OSError as error:
        raise InputError(
            f"can't be read ({error.strerror})",
            where=str(item.source),
            remedy="Is it where the config says, and is its drive connected?",
        ) from error


def _disk(root: Path) -> str:
    try:
        return disk_of(root)
    except OSError as error:
        return why(error)
