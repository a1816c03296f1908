"""Two hundred faults, drawn by a seeded generator: each is found and named, none costs a byte.

160 damage a finished copy (bits, lengths, losses, additions, swaps); 40 hit a destination while it
is being written (full, gone), in the middle of a random file.
"""

from __future__ import annotations

import errno
import shutil
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest

from pipeline.outputs.archive import partial_copy
from pipeline.outputs.archive.check import FaultKind, check_bag
from pipeline.outputs.archive.fixity import written_identity
from pipeline.outputs.archive.keep import archive_weld
from pipeline.outputs.archive.repair import repair_bag
from tests.outputs.archive.welds import contents, make_weld, random_files, two_places, validate

SEED = 20261201


@dataclass(frozen=True)
class Injected:
    """What was done to a bag: the files concerned, how each should be told, what was lost."""

    kinds: dict[str, set[FaultKind]]
    lost: dict[str, bytes]


Injector = Callable[[Path, np.random.Generator], Injected]
LISTS = {FaultKind.CHANGED, FaultKind.LIST}


def _pick(bag: Path, rng: np.random.Generator) -> str:
    """Any file of the bag, its own texts too."""
    return str(rng.choice(sorted(contents(bag))))


def flip(bag: Path, rng: np.random.Generator) -> Injected:
    """One bit of one file."""
    name = _pick(bag, rng)
    damaged = bytearray((bag / name).read_bytes())
    damaged[rng.integers(len(damaged))] ^= 1 << int(rng.integers(8))
    (bag / name).write_bytes(damaged)
    return Injected({name: LISTS}, {name: bytes(damaged)})


def truncate(bag: Path, rng: np.random.Generator) -> Injected:
    """A file cut short, perhaps to nothing."""
    name = _pick(bag, rng)
    content = (bag / name).read_bytes()
    damaged = content[: rng.integers(len(content))]
    (bag / name).write_bytes(damaged)
    return Injected({name: LISTS}, {name: damaged})


def delete(bag: Path, rng: np.random.Generator) -> Injected:
    """A file that is no more."""
    name = _pick(bag, rng)
    (bag / name).unlink()
    return Injected({name: {FaultKind.MISSING, FaultKind.LIST}}, {})


def add(bag: Path, rng: np.random.Generator) -> Injected:
    """A file that nobody knows, in the payload or beside it, new or a copy of another."""
    folder = rng.choice(["", "data/", "data/frames/", "data/new/"])
    name = f"{folder}stray_{rng.integers(1000)}.tif"
    content = rng.bytes(50) if rng.random() < 0.5 else (bag / _pick(bag, rng)).read_bytes()
    (bag / name).parent.mkdir(exist_ok=True)
    (bag / name).write_bytes(content)
    return Injected({name: {FaultKind.EXTRA}}, {name: content})


def swap(bag: Path, rng: np.random.Generator) -> Injected:
    """Two frames under each other's names."""
    frames = sorted(path.name for path in (bag / "data/frames").glob("*.tif"))
    one, other = (f"data/frames/{name}" for name in rng.choice(frames, 2, replace=False))
    aside = bag / "aside"
    (bag / one).rename(aside)
    (bag / other).rename(bag / one)
    aside.rename(bag / other)
    swapped = {FaultKind.SWAPPED}
    lost = {name: (bag / name).read_bytes() for name in (one, other)}
    return Injected({one: swapped, other: swapped}, lost)


PLAN: list[tuple[Injector, int]] = [(flip, 60), (truncate, 30), (delete, 30), (add, 20), (swap, 20)]


@pytest.mark.parametrize(("inject", "count"), PLAN, ids=lambda one: getattr(one, "__name__", one))
def test_damage_is_found_named_and_mended(memory: Path, inject: Injector, count: int) -> None:
    weld = make_weld(memory / "weld", random_files(4, 3000))
    done = archive_weld(weld, two_places(memory), same_device=True)
    bag, good = (copy.bag for copy in done.copies)
    whole = contents(good)
    rng = np.random.default_rng([SEED, count])
    for number in range(count):
        injected = inject(bag, rng)
        found = check_bag(bag, identity=written_identity(bag))
        told = {fault.path: fault.kind for fault in found.faults}
        for name, kinds in injected.kinds.items():
            assert told[name] in kinds, (number, name, found.faults)
        if not any("manifest" in name for name in injected.kinds):
            assert told.keys() == injected.kinds.keys()  # and nothing else is suspected

        repaired = repair_bag(bag, [good])
        assert repaired.checked.sound, (number, injected)
        assert contents(bag) == whole == contents(good)
        for name, content in injected.lost.items():  # what was wrong is kept, byte for byte
            assert repaired.aside is not None
            assert (repaired.aside / name).read_bytes() == content
        for name in injected.kinds:
            assert any(sentence.startswith(f"{name}: ") for sentence in repaired.done)
    validate(bag)
    validate(good)


def _fails(fault: str, at: int, broken: Path) -> Callable[[int, memoryview], int]:
    """``os.write`` for the broken place: after ``at`` bytes it fills up or is gone."""
    real, written = partial_copy.os.write, 0

    def write(descriptor: int, block: memoryview) -> int:
        nonlocal written
        there = Path(f"/proc/self/fd/{descriptor}").resolve()
        if not there.is_relative_to(broken.resolve()):
            return real(descriptor, block)
        if written + len(block) <= at:
            written += len(block)
            return real(descriptor, block)
        if written < at:  # the last bytes that there is room for
            count = real(descriptor, block[: at - written])
            written += count
            return count
        if fault == "gone":
            shutil.rmtree(broken, ignore_errors=True)
            raise OSError(errno.EIO, "Input/output error")
        raise OSError(errno.ENOSPC, "No space left on device")

    return write


@pytest.mark.parametrize("fault", ["full", "gone"])
def test_a_destination_that_fails_costs_nothing(
    memory: Path, monkeypatch: pytest.MonkeyPatch, fault: str
) -> None:
    weld = make_weld(memory / "weld", random_files(4, 3000))
    before = contents(weld)
    size = sum(map(len, before.values()))
    rng = np.random.default_rng([SEED, len(fault)])
    for number in range(20):
        places = two_places(memory / f"{fault}_{number}")
        broken, well = places if number % 2 else places[::-1]
        monkeypatch.setattr(
            partial_copy.os, "write", _fails(fault, int(rng.integers(size)), broken)
        )
        done = archive_weld(weld, places, same_device=True)
        monkeypatch.undo()
        assert not done.archived
        by_place = {copy.bag.parent: copy for copy in done.copies}
        assert by_place[broken].problem, number
        assert ("no room" in by_place[broken].problem) == (fault == "full")
        assert not by_place[broken].bag.exists()  # nothing half-made under the final name
        assert by_place[well].problem == ""
        validate(by_place[well].bag)

        broken.mkdir(exist_ok=True)
        again = archive_weld(weld, places, same_device=True)
        assert again.archived, again
        one, other = (contents(copy.bag) for copy in again.copies)
        assert one == other
        validate(by_place[broken].bag)
    assert contents(weld) == before


def test_there_are_two_hundred() -> None:
    assert sum(count for _, count in PLAN) + 2 * 20 == 200
