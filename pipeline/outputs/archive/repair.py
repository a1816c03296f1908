"""A damaged copy mended from good ones, file by file. What was wrong is kept aside."""

from __future__ import annotations

import os
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from pipeline.errors import InputError, OutputError
from pipeline.outputs.archive.check import Checked, Fault, check_bag
from pipeline.outputs.archive.copies import name_fault, require_sound
from pipeline.outputs.archive.copying import Item, copy_items
from pipeline.outputs.archive.difference import difference_text
from pipeline.outputs.archive.fixity import note_fixity, written_identity
from pipeline.outputs.archive.partial_copy import PartialCopy, why
from pipeline.outputs.archive.places import require_bag
from pipeline.outputs.archive.read_back import Content


@dataclass(frozen=True, slots=True)
class Repaired:
    """What was found wrong, what was done about it, and the copy as it is now.

    ``aside`` is the folder that holds what was taken out of the bag; None where nothing was.
    """

    found: tuple[Fault, ...]
    done: tuple[str, ...]
    aside: Path | None
    checked: Checked
    note: str


def repair_bag(bag: Path, good: Sequence[Path]) -> Repaired:
    """Mend ``bag`` from other copies of the same bag, each of which may be damaged elsewhere.

    A file is taken from a copy only if its digest is the one that the manifests name. It is written
    beside the bag and read back before the damaged one is moved aside and it takes its place.
    Nothing is deleted. What no copy has stays as it is, and stays told.

    Raises:
        InputError: the copies aren't of one bag, aren't there, or none has manifests to rely on.
        OutputError: the bag's place can't be written to.
    """
    require_bag(bag, or_gone=True)
    for other in good:
        require_bag(other)
        _require_same_name(bag, other)
    known = {written_identity(path) for path in (bag, *good)} - {""}
    if len(known) > 1:
        raise InputError(
            "is a copy of another bag than the others: their records name different contents",
            where=str(bag),
            expected="copies of one and the same bag",
        )
    identity = next(iter(known), "")
    damaged = check_bag(bag, identity=identity)
    if damaged.unread:
        require_sound(damaged)
    copies = [check_bag(path, identity=identity) for path in good]
    for copy in copies:
        if fault := name_fault(copy):
            raise InputError(fault, where=str(copy.bag), remedy="Give it its own name again")
    truth = _truth(damaged, copies, identity)
    if damaged.sound:
        return Repaired((), (), None, damaged, note_fixity(damaged, "verified"))
    wrong = {path for path, digest in truth.expected.items() if _digest(damaged, path) != digest}
    strangers = sorted(damaged.strangers - truth.expected.keys())
    sources = dict(_sources(wrong, truth, [*copies, damaged]))
    aside = _aside_folder(bag)
    done: list[str] = []
    try:
        fresh = _written_beside(bag, sources, truth.expected)
        for path in strangers:
            _move(bag / path, aside / path)
            done.append(f"{path}: doesn't belong here, moved to {aside}")
        for path in sorted(sources):
            old = bag / path
            if os.path.lexists(old):
                told = difference_text(old, fresh.bag / path)
                _move(old, aside / path)
                done.append(f"{path}: replaced from {sources[path]}; {told}; kept in {aside}")
            else:
                done.append(f"{path}: was missing, put there from {sources[path]}")
            _move(fresh.bag / path, old)
        fresh.clear()
    except OSError as error:
        raise OutputError(
            f"{why(error)}; what was done so far: {'; '.join(done) or 'nothing'}",
            where=str(bag),
            remedy="Mend the drive, or make a new copy elsewhere with girthstrip archive",
        ) from error
    after = check_bag(bag, identity=truth.identity)
    note = note_fixity(after, "repaired", done)
    return Repaired(damaged.faults, tuple(done), aside if aside.exists() else None, after, note)


def _require_same_name(bag: Path, good: Path) -> None:
    names = bag.resolve().name, good.resolve().name
    if good.exists() and bag.exists() and good.samefile(bag):
        raise InputError("is the damaged bag itself", where=str(good), expected="another copy")
    if names[0] != names[1]:
        raise InputError(
            f"is called {names[1]}, the bag to be mended {names[0]}: it is another bag",
            where=str(good),
            remedy="Name another copy of the same bag; one that was renamed needs its name again",
        )


@dataclass(frozen=True, slots=True)
class _Truth:
    """Every file that the bag should have, the tag manifest included → its digest."""

    identity: str
    expected: Mapping[str, str]


def _truth(damaged: Checked, copies: Sequence[Checked], identity: str) -> _Truth:
    every = [one for one in (*copies, damaged) if one.lists_sound and one.identity]
    reliable = [one for one in every if one.tags_sound]
    if not reliable and (identity or len(every) > 1):
        reliable = every  # what vouches for their manifests is that they agree
    if not reliable:
        raise InputError(
            "can't be mended: no copy has sound manifests, so nothing tells which files are right",
            where=str(damaged.bag),
            expected="a copy whose manifests are as they were written",
        )
    if len({one.identity for one in reliable}) > 1:
        raise InputError(
            "can't be mended from "
            + ", ".join(str(one.bag) for one in copies)
            + ": the manifests differ, so these are copies of different bags",
            where=str(damaged.bag),
            expected="copies of one and the same bag",
        )
    first = reliable[0]
    if first.algorithm != "sha256":
        raise InputError("holds no SHA-256 manifest", where=str(first.bag))
    tag_manifest = f"tagmanifest-{first.algorithm}.txt"
    return _Truth(identity or first.identity, {**first.expected, tag_manifest: first.identity})


def _sources(
    wrong: set[str], truth: _Truth, copies: Sequence[Checked]
) -> Iterator[tuple[str, Path]]:
    """For each wrong file one with the right content, from wherever it lies in a copy.

    The damaged copy itself comes last: two files that were swapped are both still there.
    """
    for path in wrong:
        digest = truth.expected[path]
        for copy in copies:
            if _digest(copy, path) == digest:
                yield path, copy.bag / path
                break
        else:
            for copy in copies:
                names = [name for name in copy.found if _digest(copy, name) == digest]
                if names:
                    yield path, copy.bag / names[0]
                    break


def _written_beside(
    bag: Path, sources: Mapping[str, Path], expected: Mapping[str, str]
) -> PartialCopy:
    """The files that are to take the places of damaged ones, written and read back."""
    fresh = PartialCopy(bag.parent, f"{bag.name}.repair")
    items = [Item(path, source, expected[path]) for path, source in sorted(sources.items())]
    try:
        fresh.start(
            [item.name for item in items], sum(item.source.stat().st_size for item in items)
        )
        copy_items(items, [fresh])
    finally:
        fresh.close()
    if fresh.failed:
        raise OutputError(
            fresh.problem,
            where=str(bag),
            remedy="Nothing in the bag was touched; mend the drive, or make a new copy elsewhere",
        )
    back = fresh.read_back()
    for item in items:
        content = back.get(item.name)
        if not isinstance(content, Content) or content.digest != item.digest:
            raise OutputError(
                f"{item.name} reads back other than it was written",
                where=str(bag),
                remedy="Nothing in the bag was touched; the drive may be failing: make a new copy "
                "on another one",
            )
    return fresh


def _aside_folder(bag: Path) -> Path:
    number = 1
    while os.path.lexists(bag.with_name(f"{bag.name}.aside-{number}")):
        number += 1
    return bag.with_name(f"{bag.name}.aside-{number}")


def _move(source: Path, target: Path) -> None:
    """Rename; where a folder has that name already, to that name and a number."""
    target.parent.mkdir(parents=True, exist_ok=True)
    free, number = target, 1
    while os.path.lexists(free):
        number += 1
        free = target.with_name(f"{target.name}-{number}")
    source.rename(free)


def _digest(checked: Checked, path: str) -> str:
    content = checked.found.get(path)
    return content.digest if isinstance(content, Content) else ""
