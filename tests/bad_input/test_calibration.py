"""Calibrations that don't fit, and exposures that give none."""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest
import tifffile

from pipeline.cli import run
from tests.bad_input.endings import Capture, Spoil, refused
from tests.bad_input.spoilt_frames import (
    colour,
    truncated,
    wrong_dtype,
    zero_bytes,
)
from tests.weld_folder import WeldFolder, leftovers


def spoil_facts(weld: WeldFolder) -> None:
    """A figure changed by hand after the calibration was made."""
    path = weld.calibration / "calibration.json"
    record = json.loads(path.read_text(encoding="ascii"))
    record["facts"]["serial"] = "OTHER"
    path.write_text(json.dumps(record), encoding="ascii")


def spoil_array(weld: WeldFolder) -> None:
    """A gain map changed after the calibration was made."""
    gain = tifffile.imread(weld.calibration / "gain.tif")
    gain[5, 5] += 0.01
    tifffile.imwrite(weld.calibration / "gain.tif", gain, photometric="minisblack")


def smaller_frames(weld: WeldFolder) -> None:
    """Frames, table and config of a smaller panel."""
    for path in weld.frames.glob("*.tif"):
        tifffile.imwrite(path, tifffile.imread(path)[:256], photometric="minisblack")
    weld.edit_config("rows = 320", "rows = 256")


BAD_CALIBRATIONS: dict[str, tuple[Spoil, str]] = {
    "another panel": (
        lambda weld: weld.edit_config('serial = "SIM-0001"', 'serial = "SIM-0002"'),
        "SIM-0001",
    ),
    "another gain mode": (
        lambda weld: weld.edit_config('gain_mode = "normal"', 'gain_mode = "high"'),
        "normal",
    ),
    "another size": (smaller_frames, "320"),
    "no folder": (lambda weld: shutil.rmtree(weld.calibration), "calibration: doesn't exist"),
    "a file instead": (
        lambda weld: weld.edit_config('folder = "calibration"', 'folder = "stitch.toml"'),
        "is not a folder",
    ),
    "no record": (lambda weld: (weld.calibration / "calibration.json").unlink(), "is missing"),
    "no gain": (lambda weld: (weld.calibration / "gain.tif").unlink(), "gain.tif: is missing"),
    "changed record": (spoil_facts, "has been changed since it was made"),
    "changed array": (spoil_array, "has been changed since it was made"),
    "dark cut short": (
        lambda weld: truncated(weld.calibration / "dark.tif"),
        "dark.tif: ",
    ),
    "map of another type": (
        lambda weld: wrong_dtype(weld.calibration / "badpixels.tif"),
        "badpixels.tif: holds (320, 384) float32",
    ),
    "record cut short": (
        lambda weld: (weld.calibration / "calibration.json").write_text("{", "ascii") and None,
        "calibration.json: can't be read",
    ),
}


@pytest.mark.parametrize("case", BAD_CALIBRATIONS)
def test_a_calibration_that_doesnt_fit_is_refused(
    case: str, small_weld: WeldFolder, capsys: Capture
) -> None:
    spoil, said = BAD_CALIBRATIONS[case]
    spoil(small_weld)
    message = refused(small_weld, capsys)
    assert said in message
    assert "calibration" in message.lower()


BAD_EXPOSURES: dict[str, tuple[Callable[[Path], None], str]] = {
    "flat_1/flat_003.tif": (colour, "flat_003.tif, page 0: is a colour picture"),
    "dark/dark_002.tif": (zero_bytes, "dark_002.tif: is empty (0 bytes)"),
    "flat_2": (shutil.rmtree, "flat_2: can't be opened"),
    "calibrate.toml": (zero_bytes, "[panel]"),
}


@pytest.mark.parametrize("name", BAD_EXPOSURES)
def test_exposures_that_give_no_calibration_are_refused(
    name: str, few_exposures: Path, capsys: Capture
) -> None:
    spoil, said = BAD_EXPOSURES[name]
    spoil(few_exposures / name)
    assert run(["calibrate", str(few_exposures / "calibrate.toml"), "--quiet"]) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert said in err
    assert not (few_exposures / "calibration").exists()
    assert leftovers(few_exposures) == []
