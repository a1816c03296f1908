"""Positions that can't be millimetres along the pipe: what is said, and which unit is named."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest

from pipeline.errors import TableError
from pipeline.io.position_sense import position_remarks
from pipeline.model import FrameRow

TABLE = Path("frames.csv")
PANEL_MM = 38.4


def remarks(
    positions: np.ndarray | list[float], *, circumference_mm: float, ring: bool = True
) -> tuple[str, ...]:
    rows = [FrameRow(k, f"f{k}.tif", 0, float(at)) for k, at in enumerate(positions)]
    return position_remarks(
        rows, TABLE, circumference_mm=circumference_mm, panel_mm=PANEL_MM, ring=ring
    )


def refused(positions: np.ndarray | list[float], **told: float) -> str:
    with pytest.raises(TableError, match=r"^frames\.csv: ") as caught:
        remarks(positions, **told)  # type: ignore[arg-type]
    return str(caught.value)


def ring_mm(diameter_mm: float, stops: int = 30) -> tuple[np.ndarray, float]:
    circumference = math.pi * diameter_mm
    return np.arange(stops) * circumference / stops, circumference


@pytest.mark.parametrize("diameter_mm", [60.3, 114.3, 609.6, 1219.0])
@pytest.mark.parametrize("stops", [6, 30, 400])
def test_millimetres_bring_no_remark(diameter_mm: float, stops: int) -> None:
    at, round_mm = ring_mm(diameter_mm, stops)
    assert remarks(at, circumference_mm=round_mm) == ()
    assert remarks(-at, circumference_mm=round_mm) == ()  # however the encoder counts
    assert remarks(at + 12345.6, circumference_mm=round_mm) == ()  # from wherever it counts
    assert remarks(at * 1.1, circumference_mm=round_mm) == ()  # a bit more than once round
    if stops > 6:
        assert remarks(at[: stops // 4], circumference_mm=round_mm, ring=False) == ()


@pytest.mark.parametrize(
    ("unit", "millimetres"), [("centimetres", 10.0), ("inches", 25.4), ("degrees", 360.0)]
)
@pytest.mark.parametrize("diameter_mm", [609.6, 762.0])
def test_a_rings_unit_is_named(unit: str, millimetres: float, diameter_mm: float) -> None:
    at, round_mm = ring_mm(diameter_mm)
    factor = round_mm / 360 if unit == "degrees" else millimetres
    (remark,) = remarks(at / factor, circumference_mm=round_mm)
    assert remark.endswith(f"the pipe is {round_mm:.4g} mm round (are they in {unit}?)")


@pytest.mark.parametrize(("unit", "millimetres"), [("micrometres", 1e-3), ("metres", 1e3)])
@pytest.mark.parametrize("diameter_mm", [114.3, 609.6])
def test_what_no_ring_can_be_is_refused_with_its_unit(
    unit: str, millimetres: float, diameter_mm: float
) -> None:
    at, round_mm = ring_mm(diameter_mm)
    message = refused(at / millimetres, circumference_mm=round_mm)
    assert f"mm round (are they in {unit}?). Give position_mm in millimetres" in message


def test_positions_all_alike_are_refused() -> None:
    message = refused([0.0] * 5, circumference_mm=359.1)
    assert "all positions are 0; expected in position_mm what the carriage's encoder" in message
    assert "all positions are 7.5" in refused([7.5] * 3, circumference_mm=359.1, ring=False)


def test_a_ring_that_is_none_is_remarked() -> None:
    at, round_mm = ring_mm(609.6)
    (remark,) = remarks(at[:3], circumference_mm=round_mm)  # a piece: no unit explains that
    assert remark.endswith("mm round (was it no whole ring, so ring = false?)")
    (remark,) = remarks(at * 3, circumference_mm=round_mm)
    assert remark.endswith("mm round")


@pytest.mark.parametrize(
    ("factor", "units"),
    # The arc is 500 mm of 1915 mm: only units that make it longer than half a panel, 19.2 mm,
    # and not longer than the whole way round can be meant.
    [(1e-3, "metres"), (1 / 150, "centimetres or inches")],
)
def test_an_arcs_possible_units_are_named(factor: float, units: str) -> None:
    at = np.linspace(0, 500, 20) * factor
    (remark,) = remarks(at, circumference_mm=1915.1, ring=False)
    assert remark.endswith(f"(are they in {units}?)")


def test_an_arc_in_micrometres_is_refused() -> None:
    at = np.linspace(0, 500, 20) * 1e3
    message = refused(at, circumference_mm=1915.1, ring=False)
    assert "(are they in micrometres?)" in message


def test_single_positions_far_off_are_named_with_their_row() -> None:
    at, round_mm = ring_mm(114.3)
    at[9] = 1e9
    assert refused(at, circumference_mm=round_mm) == (
        "frames.csv: f9.tif (row 10) at 1e+09 mm lies far from the other frames; the pipe is "
        "359.084 mm round. Correct position_mm in these rows"
    )
    at[9], at[10] = 1200.0, -900.0
    (remark,) = remarks(at, circumference_mm=round_mm)
    assert remark.startswith("f9.tif (row 10) at 1200 mm, f10.tif (row 11) at -900 mm lie far fr")
    (remark,) = remarks([0.0, 0.0, 900.0], circumference_mm=359.1)  # two alike say nothing
    assert remark.startswith("f2.tif (row 3) at 900 mm lies far from the other frames; the pipe")


def test_many_positions_far_off_are_named_shortly() -> None:
    at, round_mm = ring_mm(114.3)
    at[3:8] = 1300.0
    (remark,) = remarks(at, circumference_mm=round_mm)
    assert "f4.tif (row 5) at 1300 mm, f5.tif (row 6) at 1300 mm and 2 more lie far" in remark


@pytest.mark.parametrize("positions", [[], [0.0], [0.0, 0.0], [0.0, 1e9]])
def test_two_frames_say_nothing(positions: list[float]) -> None:
    assert remarks(positions, circumference_mm=359.1) == ()
