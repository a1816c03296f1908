"""Garbage in any file: never a traceback."""

from __future__ import annotations

import subprocess
from pathlib import Path

import numpy as np
import pytest

from pipeline.cli import run
from tests.bad_input.endings import Capture
from tests.bad_input.spoilt_frames import (
    zero_bytes,
)
from tests.weld_folder import COMMAND, WeldFolder, leftovers, stitch


def noise_instead(data: bytes, rng: np.random.Generator) -> bytes:
    return rng.bytes(max(len(data) // 8, 100))


def flipped_at_the_start(data: bytes, rng: np.random.Generator) -> bytes:
    """Some of the first 400 bytes changed: headers live there."""
    changed = bytearray(data)
    for place in rng.integers(0, min(400, len(data)), 12):
        changed[place] ^= int(rng.integers(1, 256))
    return bytes(changed)


def flipped_anywhere(data: bytes, rng: np.random.Generator) -> bytes:
    changed = bytearray(data)
    for place in rng.integers(0, len(data), 40):
        changed[place] ^= int(rng.integers(1, 256))
    return bytes(changed)


def cut_somewhere(data: bytes, rng: np.random.Generator) -> bytes:
    return data[: int(rng.integers(1, len(data)))]


def stuttering(data: bytes, rng: np.random.Generator) -> bytes:
    """A piece twice: a copy that went wrong."""
    first, last = sorted(int(k) for k in rng.integers(0, len(data), 2))
    return data[:last] + data[first:]


GARBLE = (noise_instead, flipped_at_the_start, flipped_anywhere, cut_somewhere, stuttering)
INPUTS = (
    "stitch.toml",
    "job.csv",
    "frames/frames.csv",
    "frames/frame_0005.tif",
    "calibration/calibration.json",
    "calibration/dark.tif",
    "calibration/gain.tif",
    "calibration/badpixels.tif",
)


@pytest.mark.parametrize("name", INPUTS)
def test_garbage_in_any_file_never_gives_a_traceback(
    name: str, small_weld: WeldFolder, capsys: Capture
) -> None:
    small_weld.write_table(small_weld.table()[:8])  # six frames: quick
    small_weld.edit_config("ring = true", "ring = false")
    path = small_weld.path / name
    whole = path.read_bytes()
    rng = np.random.default_rng([INPUTS.index(name), 2])
    options = ("--job-sheet", small_weld.path / "job.csv", "--replace")
    endings = []
    for garble in GARBLE:
        path.write_bytes(garble(whole, rng))
        ended = stitch(small_weld, capsys, *options)
        assert ended.code in (0, 2, 3), (garble.__name__, ended)
        assert "Traceback" not in ended.err
        assert (ended.code == 2) == ended.err.startswith("girthstrip: ")
        assert ended.code == 2 or ended.log.verdict
        assert leftovers(small_weld.path) == []
        endings.append(ended.code)
    assert 2 in endings or name.endswith("0005.tif")  # one bad frame is left out


@pytest.mark.parametrize("name", ["calibrate.toml", "dark/dark_002.tif", "flat_1/flat_002.tif"])
def test_garbage_in_any_exposure_never_gives_a_traceback(
    name: str, few_exposures: Path, capsys: Capture
) -> None:
    scan = few_exposures
    path = scan / name
    whole = path.read_bytes()
    rng = np.random.default_rng([len(name), 3])
    for garble in GARBLE:
        path.write_bytes(garble(whole, rng))
        code = run(["calibrate", str(scan / "calibrate.toml"), "--quiet", "--replace"])
        out, err = capsys.readouterr()
        assert code in (0, 2), (garble.__name__, out, err)
        assert "Traceback" not in err
        assert (code == 2) == err.startswith("girthstrip: ")
        assert leftovers(scan) == []


def test_as_a_process_bad_input_ends_the_same(small_weld: WeldFolder) -> None:
    """The entry point itself: exit code 2, nothing on stdout, one message, no traceback."""
    zero_bytes(small_weld.table_path)
    done = subprocess.run(
        [*COMMAND, "stitch", str(small_weld.config)], check=False, capture_output=True, text=True
    )
    assert (done.returncode, done.stdout) == (2, "")
    assert done.stderr.startswith(f"girthstrip: {small_weld.table_path}: is empty")
    assert done.stderr.count("\n") == 1
