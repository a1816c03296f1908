"""Destinations that fail in the middle, runs that are killed: told, taken up again, none lost."""

from __future__ import annotations

import errno
import os
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from pipeline.outputs.archive import partial_copy
from pipeline.outputs.archive.keep import archive_weld
from pipeline.outputs.archive.weld_source import find_weld
from tests.outputs.archive.welds import contents, make_weld, random_files, two_places, validate


@pytest.fixture
def weld(tmp_path: Path) -> Path:
    return make_weld(tmp_path / "weld", random_files(8, 400_000))


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A disk of 2 MB, which the weld doesn't fit on."""
    place = tmp_path / "small"
    place.mkdir()
    made = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=2m", "tmpfs", place], capture_output=True, check=False
    )
    if made.returncode:
        pytest.skip("no disk can be mounted here (it takes root)")
    yield place
    subprocess.run(["umount", "-l", place], check=True)


def test_a_disk_that_is_too_small_is_told_before_anything_is_written(
    weld: Path, tmp_path: Path, small_disk: Path
) -> None:
    good = two_places(tmp_path)[0]
    done = archive_weld(weld, [good, small_disk])
    assert not done.archived
    assert done.proved == 1
    assert done.copies[1].problem.startswith("no room is left: ")
    validate(done.copies[0].bag)
    assert not done.copies[1].bag.exists()


def test_a_disk_that_fills_up_meanwhile(
    weld: Path, tmp_path: Path, small_disk: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    good = two_places(tmp_path)[0]
    free = os.statvfs(tmp_path)  # another's files take the room after it was looked at
    monkeypatch.setattr(partial_copy.os, "statvfs", lambda _: free)
    done = archive_weld(weld, [good, small_disk])
    assert not done.archived
    assert done.copies[1].problem == "no room is left"
    assert not done.copies[1].bag.exists()
    assert [path.name for path in small_disk.iterdir()] == [f".{done.name}.partial"]
    monkeypatch.undo()
    subprocess.run(["mount", "-o", "remount,size=20m", small_disk], check=True)
    again = archive_weld(weld, [good, small_disk])
    assert again.archived
    assert again.copies[1].resumed
    assert contents(again.copies[0].bag) == contents(again.copies[1].bag)
    assert [path.name for path in small_disk.iterdir() if path.name.startswith(".")] == []


def test_a_disk_that_may_not_be_written(weld: Path, tmp_path: Path, small_disk: Path) -> None:
    subprocess.run(["mount", "-o", "remount,ro", small_disk], check=True)
    done = archive_weld(weld, [two_places(tmp_path)[0], small_disk])
    assert "may not be written" in done.copies[1].problem
    assert done.proved == 1
    assert list(small_disk.iterdir()) == []


def test_a_drive_that_is_not_connected(weld: Path, tmp_path: Path) -> None:
    done = archive_weld(weld, [two_places(tmp_path)[0], tmp_path / "nowhere"], same_device=True)
    assert "is the drive connected?" in done.copies[1].problem
    assert not (tmp_path / "nowhere").exists()
    assert done.proved == 1


def test_a_drive_that_is_pulled_out(
    weld: Path, tmp_path: Path, small_disk: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    good = two_places(tmp_path)[0]
    subprocess.run(["mount", "-o", "remount,size=20m", small_disk], check=True)
    begin = partial_copy.PartialCopy.begin

    def pulled(self: partial_copy.PartialCopy, name: str) -> None:
        if self.root == small_disk and name.endswith("frame_02.tif"):
            subprocess.run(["umount", "-l", small_disk], check=True)
            shutil.rmtree(small_disk)
        begin(self, name)

    monkeypatch.setattr(partial_copy.PartialCopy, "begin", pulled)
    done = archive_weld(weld, [good, small_disk])
    assert not small_disk.exists()  # nor is anything written to the disk below
    small_disk.mkdir()
    subprocess.run(["mount", "-t", "tmpfs", "tmpfs", small_disk], check=True)  # for the clean-up
    assert "is the drive connected?" in done.copies[1].problem
    validate(done.copies[0].bag)


@pytest.mark.parametrize("place", [0, 1])
def test_a_medium_that_gives_back_other_bytes(
    weld: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, place: int
) -> None:
    """The page cache would give back what was written; a medium that doesn't is invented here."""
    places = two_places(tmp_path)
    flush = partial_copy.PartialCopy.flush

    def spoil(self: partial_copy.PartialCopy) -> None:
        flush(self)
        frame = self.bag / "data/frames/frame_03.tif"
        if self.root == places[place] and frame.exists():
            content = bytearray(frame.read_bytes())
            content[1000] ^= 4
            frame.write_bytes(content)

    monkeypatch.setattr(partial_copy.PartialCopy, "flush", spoil)
    done = archive_weld(weld, places, same_device=True)
    told = done.copies[place].problem
    assert told.startswith("reads back other than it was written: data/frames/frame_03.tif")
    assert not done.copies[place].bag.exists()
    assert done.copies[1 - place].problem == ""
    monkeypatch.undo()
    again = archive_weld(weld, places, same_device=True)
    assert again.archived
    assert again.copies[place].resumed
    assert contents(again.copies[0].bag) == contents(again.copies[1].bag)


def test_two_runs_at_once(weld: Path, tmp_path: Path) -> None:
    places = two_places(tmp_path)
    other = partial_copy.PartialCopy(places[0], find_weld(weld).bag_name)
    other.start([], 0)
    done = archive_weld(weld, places, same_device=True)
    other.close()
    assert done.copies[0].problem == "is being written to by another run"
    assert done.copies[1].problem == ""


def test_files_of_an_earlier_try_that_are_no_more_wanted(weld: Path, tmp_path: Path) -> None:
    places = two_places(tmp_path)
    name = find_weld(weld).bag_name
    stray = places[0] / f".{name}.partial/bag/data/frames/gone.tif"
    stray.parent.mkdir(parents=True)
    stray.write_bytes(b"the only one")
    done = archive_weld(weld, places, same_device=True)
    assert done.archived
    aside = places[0] / f".{name}.partial/aside/data/frames/gone.tif"
    assert aside.read_bytes() == b"the only one"


SLOW = """
import sys, time
from pathlib import Path
from pipeline.outputs.archive import partial_copy
from pipeline.outputs.archive.keep import archive_weld
from pipeline.outputs.archive.weld_source import find_weld
partial_copy._FLUSH_FILES = 2
begin = partial_copy.PartialCopy.begin
def slow(self, name):
    time.sleep(0.02)
    begin(self, name)
partial_copy.PartialCopy.begin = slow
print("ready", flush=True)
done = archive_weld(Path(sys.argv[1]), [Path(sys.argv[2]), Path(sys.argv[3])], same_device=True)
assert done.archived
print("archived", [copy.resumed for copy in done.copies])
"""


def test_killed_again_and_again(weld: Path, tmp_path: Path) -> None:
    places = two_places(tmp_path)
    command = [sys.executable, "-c", SLOW, str(weld), *map(str, places)]
    written = []
    for wait_s in (0.05, 0.25):
        with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as run:
            assert run.stdout is not None
            run.stdout.readline()
            time.sleep(wait_s)
            run.send_signal(signal.SIGKILL)
        assert not any((place / find_weld(weld).bag_name).exists() for place in places)
        written.append(sum(path.stat().st_size for path in places[0].rglob("*.tif")))
    assert max(written) > 0
    ended = subprocess.run(command, capture_output=True, text=True, check=True)
    assert "archived [True, True]" in ended.stdout
    done = archive_weld(weld, places, same_device=True)
    assert done.archived
    for copy in done.copies:
        validate(copy.bag)


def test_what_lies_there_already_is_not_read_again(
    weld: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    places = two_places(tmp_path)
    put_text = partial_copy.PartialCopy.put_text

    def fail(self: partial_copy.PartialCopy, name: str, text: str) -> None:
        self._fail(OSError(errno.EIO, "Input/output error"))

    monkeypatch.setattr(partial_copy.PartialCopy, "put_text", fail)
    assert archive_weld(weld, places, same_device=True).proved == 0
    monkeypatch.setattr(partial_copy.PartialCopy, "put_text", put_text)
    begun: list[str] = []
    begin = partial_copy.PartialCopy.begin
    monkeypatch.setattr(
        partial_copy.PartialCopy,
        "begin",
        lambda self, name: (begun.append(name), begin(self, name)),
    )
    frame = weld / "frames/frame_05.tif"
    os.utime(frame)  # touched: it must be read again, though its content is the same
    assert archive_weld(weld, places, same_device=True).archived
    assert {name for name in begun if name.startswith("data/frames")} == {
        "data/frames/frame_05.tif"
    }
