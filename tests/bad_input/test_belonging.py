"""Frames that don't belong where the table puts them, or hold no picture."""

from __future__ import annotations

import shutil
from pathlib import Path

import numpy as np
import pytest
import tifffile

from pipeline.io.strip import read_maps, read_strip
from pipeline.model import Origin
from tests.bad_input.endings import ODD, SHAPE, Capture, made, refused
from tests.weld_folder import WeldFolder


def test_a_frame_from_another_place_is_left_out_and_named(
    small_weld: WeldFolder, capsys: Capture
) -> None:
    shutil.copy(small_weld.frame(22), small_weld.frame(ODD))
    ended = made(small_weld, capsys, 3)
    assert ended.left_out[small_weld.frame(ODD).name].startswith("wrong_place: ")
    assert len(ended.left_out) == 3
    assert ended.verdicts["registration.wrong_place"] == "fail"


@pytest.mark.usefixtures("no_report")
@pytest.mark.parametrize("other", [ODD + 1, ODD + 2, ODD + 10])
def test_frames_exchanged_in_the_table_are_left_out_and_named(
    other: int, small_weld: WeldFolder, capsys: Capture
) -> None:
    small_weld.set_cell(ODD, "file", small_weld.frame(other).name + ".tmp")
    small_weld.set_cell(other, "file", small_weld.frame(ODD).name)
    small_weld.set_cell(ODD, "file", small_weld.frame(other).name)
    ended = made(small_weld, capsys, 3)
    for number in (ODD, other):
        assert ended.left_out[small_weld.frame(number).name].startswith("wrong_place: ")


@pytest.mark.usefixtures("no_report")
def test_a_third_of_the_frames_gone_leaves_a_gap_that_is_told(
    small_weld: WeldFolder, capsys: Capture
) -> None:
    lines = small_weld.table()
    gone = range(12, 22)
    small_weld.write_table([line for k, line in enumerate(lines) if k not in gone])
    ended = made(small_weld, capsys, 3)
    log = ended.log
    assert len(log.gaps) == 1
    gap = log.gaps[0]
    # The frames beside the gap see ± 15.6 mm of surface: the panel's 38.4 mm less its border, from
    # 67.15 mm to the pipe's radius of 57.15 mm; slips and the encoder's scale may move them by mm.
    before, after = float(lines[11][2]), float(lines[22][2])
    assert gap.from_mm == pytest.approx(before + 15.6, abs=3)
    assert gap.to_mm == pytest.approx(after - 15.6, abs=3)
    checks = {check.id: check for check in log.checks}
    assert checks["coverage.gap_mm"].value == pytest.approx(gap.to_mm - gap.from_mm)
    assert ended.verdicts["coverage.gap_mm"] == "fail"
    assert f"fail      coverage.gap_mm: {gap.to_mm - gap.from_mm:.6g} mm" in ended.out
    assert "frames that only the encoder ties" in ended.out

    strip, _ = read_strip(ended.folder / "strip.tif")
    maps = read_maps(ended.folder / "maps.tif")
    pitch = log.strip.pitch_mm
    inside = slice(round(gap.from_mm / pitch) + 1, round(gap.to_mm / pitch) - 1)
    middle = slice(log.strip.rows // 4, log.strip.rows - log.strip.rows // 4)
    assert np.all(maps.origin[middle, inside].min(axis=0) == Origin.NOT_COVERED)
    deep = slice(inside.start + 20, inside.stop - 20)
    for image in (strip, maps.count, maps.origin, maps.sigma):
        assert not image[:, deep].any()


def test_a_scan_of_one_frame_is_refused(small_weld: WeldFolder, capsys: Capture) -> None:
    lines = small_weld.table()
    small_weld.write_table([lines[0], lines[5]])
    message = refused(small_weld, capsys)
    assert "only 1 of 1 frames can be used; expected at least two" in message


def test_a_scan_of_ramp_up_alone_is_refused(small_weld: WeldFolder, capsys: Capture) -> None:
    small_weld.write_table(small_weld.table()[:3])
    message = refused(small_weld, capsys)
    assert "only 1 of 2 frames can be used" in message
    assert "frame_0001.tif: ramp_up" in message


@pytest.mark.parametrize("how", ["dark", "saturated"])
def test_a_scan_that_holds_no_picture_is_refused(
    how: str, small_weld: WeldFolder, small_scan: Path, capsys: Capture
) -> None:
    """The tube never on (frames are darks), or far too much dose."""
    for number in range(1, 33):
        path = small_weld.frame(number)
        if how == "dark":
            shutil.copy(small_scan / "dark" / f"dark_{1 + number % 20:03d}.tif", path)
        else:
            tifffile.imwrite(path, np.full(SHAPE, 65535, np.uint16), photometric="minisblack")
    message = refused(small_weld, capsys)
    assert "of 32 frames can be used" in message
    assert ("no_signal" if how == "dark" else "saturated: 100.0%") in message
    assert "Check exposure" in message


@pytest.mark.usefixtures("no_report")
def test_frames_without_structure_fall_back_on_the_encoder_and_say_so(
    small_weld: WeldFolder, capsys: Capture
) -> None:
    rng = np.random.default_rng(9)
    for number in range(3, 33):
        plain = rng.normal(20000, 130, SHAPE).astype(np.uint16)
        tifffile.imwrite(small_weld.frame(number), plain, photometric="minisblack")
    ended = made(small_weld, capsys, 3)
    checks = {check.id: check for check in ended.log.checks}
    assert checks["registration.unlinked_frames"].value == 29
    assert checks["registration.residual_px"].value is None
    used = [frame for frame in ended.log.frames if frame.used]
    off = [abs(frame.position_mm - frame.encoder_mm) for frame in used]  # type: ignore[operator]
    # The closure of the ring may stretch the encoder's scale, 1 % of 359 mm, and nothing else.
    assert max(off) < 3.6
