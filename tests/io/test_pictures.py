"""Pictures and result folders that are to be measured, opened or refused."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import tifffile

from pipeline.cli import run
from pipeline.errors import InputError
from pipeline.io.pictures import open_picture
from pipeline.io.strip import read_strip, write_strip
from tests.weld_folder import simulate


def test_pictures_that_cannot_be_measured_are_refused(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="there is no such file or folder"):
        open_picture(tmp_path / "none.tif")
    with pytest.raises(InputError, match=r"has no quality\.json"):
        open_picture(tmp_path)
    eight = tmp_path / "eight.tif"
    tifffile.imwrite(eight, np.zeros((9, 9), np.uint8), metadata=None)
    with pytest.raises(InputError, match="holds uint8"):
        open_picture(eight)
    untold = tmp_path / "untold.tif"
    tifffile.imwrite(untold, np.zeros((9, 9), np.uint16), metadata=None)
    with pytest.raises(InputError, match=r"doesn't tell its pitch.*--pitch-mm"):
        open_picture(untold)
    assert open_picture(untold, 0.2).picture.grid.pitch_mm == 0.2
    text = tmp_path / "text.tif"
    text.write_text("no picture", encoding="utf-8")
    with pytest.raises(InputError, match="can't be read"):
        open_picture(text)


def test_a_strip_alone_knows_its_place(tmp_path: Path) -> None:
    path = tmp_path / "alone.tif"
    told = {"ring": True, "overrun_mm": 1.0, "s_first_mm": 0.0, "z_first_mm": -2.0}
    write_strip(path, np.full((40, 110), 7, np.uint16), pitch_mm=0.1, metadata=told)
    grid = open_picture(path).picture.grid
    assert (grid.ring, grid.columns, grid.overrun, grid.z_first_mm) == (True, 100, 10, -2.0)


def test_a_strip_that_tells_its_pitch_has_no_other(tmp_path: Path) -> None:
    path = tmp_path / "alone.tif"
    write_strip(path, np.full((40, 110), 7, np.uint16), pitch_mm=0.1, metadata={})
    assert open_picture(path, 0.1).picture.grid.pitch_mm == 0.1
    with pytest.raises(InputError, match=r"a pitch of 0\.1 mm, but --pitch-mm says 0\.2 mm"):
        open_picture(path, 0.2)


def test_a_strip_of_another_run_is_refused(tmp_path: Path) -> None:
    """A smaller one, one from another place, one of another weld, one with a pixel changed; the
    strip itself, written anew, is taken."""
    scan = simulate("small", tmp_path / "scan")
    assert run(["stitch", str(scan / "stitch.toml"), "--quiet"]) == 0
    folder = scan / "result"
    values, told = read_strip(folder / "strip.tif")
    pitch_mm = told.pop("pitch_mm")
    changed = values.copy()
    changed[5, 7] += 1
    for wrong, metadata, words in (
        (values[:-1], told, "rows"),
        (values, told | {"z_first_mm": told["z_first_mm"] + 1}, "z_first_mm"),
        (values, told | {"weld": "W-0002"}, "weld W-0002"),
        (changed, told, "another strip, or somebody changed it"),
    ):
        write_strip(
            folder / "strip.tif",
            np.ascontiguousarray(wrong),
            pitch_mm=pitch_mm,
            metadata=metadata,
        )
        with pytest.raises(InputError, match=words):
            open_picture(folder)
    write_strip(folder / "strip.tif", values, pitch_mm=pitch_mm, metadata=told)
    assert np.array_equal(open_picture(folder).picture.values, values)
