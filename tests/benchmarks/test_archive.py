"""How fast a weld is copied and digested, beside the system's own tools doing the two at once."""

from __future__ import annotations

import hashlib
import os
import shutil
import subprocess
import time
from collections.abc import Callable
from functools import partial
from pathlib import Path

import numpy as np
import pytest

from pipeline.outputs.archive.check import check_bag
from pipeline.outputs.archive.copying import Item, copy_items
from pipeline.outputs.archive.keep import archive_weld
from pipeline.outputs.archive.partial_copy import PartialCopy
from tests.benchmarks.conftest import Report
from tests.outputs.archive.welds import make_weld

FRAMES, FRAME_BYTES = 120, 2 * 1152 * 1536
ROUNDS = 5


@pytest.fixture
def frames(tmp_path: Path) -> Path:
    """A folder with as many bytes as a scan of 120 frames, and no two frames alike."""
    folder = tmp_path / "frames"
    folder.mkdir()
    rng = np.random.default_rng(7)
    for k in range(FRAMES):
        (folder / f"frame_{k:04d}.tif").write_bytes(rng.bytes(FRAME_BYTES))
    os.sync()
    return folder


def seconds(job: Callable[[], object], clear: Callable[[], object]) -> float:
    """The best of several rounds, with nothing left to be flushed when each begins."""
    best = float("inf")
    for _ in range(ROUNDS):
        clear()
        os.sync()
        begin = time.perf_counter()
        job()
        best = min(best, time.perf_counter() - begin)
    return best


def own_tools(frames: Path, targets: list[Path], *, flushed: bool) -> None:
    """``cp`` to each target and ``sha256sum`` at the same time, then perhaps the targets flushed,
    as the archive does."""
    files = [str(path) for path in sorted(frames.iterdir())]
    running = [subprocess.Popen(["cp", "-r", str(frames), str(target)]) for target in targets]
    with subprocess.Popen(["sha256sum", *files], stdout=subprocess.DEVNULL) as digesting:
        codes = [one.wait() for one in running] + [digesting.wait()]
    assert codes == [0] * len(codes)
    if flushed:
        subprocess.run(["sync", *(str(p) for t in targets for p in t.rglob("*.tif"))], check=True)


def ours(frames: Path, targets: list[Path]) -> None:
    """One read, digest, and every target written and flushed."""
    items = [Item(f"data/frames/{path.name}", path) for path in sorted(frames.iterdir())]
    places = [PartialCopy(target, "W") for target in targets]
    for place in places:
        place.start([item.name for item in items], FRAMES * FRAME_BYTES)
    copied = copy_items(items, places)
    for place in places:
        assert not place.problem
        place.close()
    assert len(copied) == FRAMES


@pytest.mark.parametrize("copies", [1, 2])
def test_copying_and_digesting(frames: Path, tmp_path: Path, table: Report, copies: int) -> None:
    targets = [tmp_path / f"target_{k}" for k in range(copies)]

    def clear() -> None:
        for target in targets:
            shutil.rmtree(target, ignore_errors=True)
            target.mkdir()

    ours_s = seconds(lambda: ours(frames, targets), clear)
    size = FRAMES * FRAME_BYTES
    for flushed, called in ((True, "flushed like ours"), (False, "left in memory, ours flushed")):
        theirs_s = seconds(partial(own_tools, frames, targets, flushed=flushed), clear)
        rates = [size / took_s / 1e6 for took_s in (ours_s, theirs_s)]
        table.row(
            f"archive, {size / 1e6:.0f} MB to {copies}: beside cp and sha256sum at once, {called}",
            f"{theirs_s / ours_s:.0%} ({rates[0]:.0f} and {rates[1]:.0f} MB/s)",
            "at least 70 %" if flushed else "",
        )


def test_reading_back(frames: Path, tmp_path: Path, table: Report) -> None:
    weld = make_weld(tmp_path / "weld", {path.name: path.read_bytes() for path in frames.iterdir()})
    (tmp_path / "a").mkdir()
    done = archive_weld(weld, [tmp_path / "a"], wanted=1)
    bag = done.copies[0].bag
    begin = time.perf_counter()
    checked = check_bag(bag)
    took = time.perf_counter() - begin
    assert checked.sound
    table.row("archive verify, read from the medium", f"{checked.size / took / 1e6:.0f} MB/s")


def test_digests(table: Report) -> None:
    """Why SHA-256: the figures of the machine at hand."""
    block = os.urandom(2**26)
    for name in ("sha256", "sha512"):
        begin = time.perf_counter()
        hashlib.new(name, block).digest()
        rate = len(block) / (time.perf_counter() - begin) / 1e6
        table.row(f"{name} of Python's hashlib, one thread", f"{rate:.0f} MB/s")
