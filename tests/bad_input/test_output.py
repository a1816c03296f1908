"""Places where results can't be written, and disks that are full: nothing is left."""

from __future__ import annotations

import errno
import os
import shutil
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.bad_input.endings import Capture, refused
from tests.weld_folder import COMMAND, WeldFolder, digests, leftovers


def test_a_result_that_exists_is_never_overwritten_unasked(
    small_weld: WeldFolder, capsys: Capture
) -> None:
    small_weld.result.mkdir()
    (small_weld.result / "notes.txt").write_text("precious", encoding="utf-8")
    assert "result: already exists" in refused(small_weld, capsys)
    assert "won't be replaced" in refused(small_weld, capsys, "--replace")
    assert (small_weld.result / "notes.txt").read_text(encoding="utf-8") == "precious"


@pytest.mark.parametrize("place", ["stitch.toml", "stitch.toml/result"])
def test_a_file_in_the_way_of_the_result(
    place: str, small_weld: WeldFolder, capsys: Capture
) -> None:
    message = refused(small_weld, capsys, "--out", small_weld.path / place)
    assert "in the way" in message
    assert "Name another output folder" in message


# The superuser may write anywhere; without this capability (1: CAP_DAC_OVERRIDE) rights count.
RIGHTS_COUNT = """
import ctypes, os, sys
ctypes.CDLL(None).prctl(24, 1, 0, 0, 0)  # 24: PR_CAPBSET_DROP
os.execv(sys.executable, sys.argv[1:])
"""


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="needs Linux's capabilities")
def test_a_folder_that_cant_be_written(small_weld: WeldFolder, tmp_path: Path) -> None:
    locked = tmp_path / "locked"
    locked.mkdir(mode=0o555)
    command = [*COMMAND, "stitch", str(small_weld.config), "--out", str(locked / "result")]
    done = subprocess.run(
        [sys.executable, "-c", RIGHTS_COUNT, *command], check=False, capture_output=True, text=True
    )
    assert done.returncode == 2, done.stderr
    assert "may not be written" in done.stderr
    assert "Name a folder that you may write to" in done.stderr
    assert "Traceback" not in done.stderr
    assert list(locked.iterdir()) == []


@pytest.mark.usefixtures("no_report")
@pytest.mark.parametrize(
    "writer",
    [
        "pipeline.io.results.write_strip",
        "pipeline.io.results.write_maps",
        "pipeline.io.results.write_positions",
        "pipeline.run.write_tables",
        "pathlib.Path.write_text",
        "os.fsync",
    ],
)
def test_a_full_disk_at_any_moment_leaves_nothing(
    writer: str, small_weld: WeldFolder, capsys: Capture, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(*_: object, **__: object) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(writer, full)
    message = refused(small_weld, capsys)
    assert "no room is left on the disk" in message
    assert "Free some space or name another folder" in message


LIMITED = """
import resource, sys
from pipeline.cli import main
resource.setrlimit(resource.RLIMIT_FSIZE, (400_000, 400_000))
main()
"""


def test_a_write_that_the_system_cuts_short_leaves_nothing(small_weld: WeldFolder) -> None:
    """A real failure in the middle of strip.tif (2 MB): files may be no larger than 0.4 MB."""
    before = digests(small_weld.path)
    done = subprocess.run(
        [sys.executable, "-c", LIMITED, "stitch", str(small_weld.config), "--quiet"],
        check=False,
        capture_output=True,
        text=True,
    )
    assert done.returncode == 2, done.stderr
    assert "Traceback" not in done.stderr
    assert "no room is left on the disk" in done.stderr
    assert digests(small_weld.path) == before
    assert leftovers(small_weld.path) == []


@pytest.fixture
def tiny_disk(tmp_path: Path) -> Iterator[Path]:
    """A file system of 1 MB, where the system lets us make one."""
    place = tmp_path / "disk"
    place.mkdir()
    mount, unmount = shutil.which("mount"), shutil.which("umount")
    if os.geteuid() != 0 or not (mount and unmount):
        pytest.skip("only the superuser of a Linux machine may mount a small disk")
    command = [mount, "-t", "tmpfs", "-o", "size=1m", "tmpfs", str(place)]
    tried = subprocess.run(command, check=False, capture_output=True, text=True)
    if tried.returncode:
        pytest.skip(f"no small disk could be mounted here: {tried.stderr.strip()}")
    yield place
    subprocess.run([unmount, str(place)], check=True)


def test_a_disk_that_is_really_full_leaves_nothing(
    tiny_disk: Path, small_weld: WeldFolder, capsys: Capture
) -> None:
    message = refused(small_weld, capsys, "--out", tiny_disk / "result")
    assert "no room is left on the disk" in message
    assert list(tiny_disk.iterdir()) == []
