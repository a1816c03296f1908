"""Indicators in a strip: where they are told to be, round the datum, turned, on either side."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.model import StripGrid
from pipeline.quality.gauges.iqi_plans import IqiPlan
from pipeline.quality.gauges.iqis import IqiRead, read_iqis
from tests.calibration.duplex_shots import shot as duplex_shot
from tests.calibration.duplex_theory import DIAMETERS_MM, sr_b_mm
from tests.quality.wire_shots import LEVEL_GV, WIRES_MM
from tests.quality.wire_shots import shot as wire_shot

ROWS, COLUMNS, PITCH_MM = 560, 2000, 0.1
RING = StripGrid(ROWS, COLUMNS, PITCH_MM, 0.0, -28.0, ring=True, overrun=100)
ARC = StripGrid(ROWS, COLUMNS, PITCH_MM, -20.0, -28.0, ring=False)
SIGMA_MM = 0.06


def blank(grid: StripGrid, seed: int = 1) -> np.ndarray:
    noise = np.random.default_rng(seed).standard_normal(grid.shape)
    return LEVEL_GV * (1 + noise / 400)


def lay(strip: np.ndarray, picture: np.ndarray, row: int, column: int) -> None:
    """Put the picture's first pixel there; columns go on past the end at the beginning."""
    columns = (column + np.arange(picture.shape[1])) % COLUMNS
    strip[row : row + len(picture), columns] = picture


def wires(**changes: object) -> np.ndarray:
    return wire_shot(np.random.default_rng(5), snr=400, sigma_mm=SIGMA_MM, **changes)  # type: ignore[arg-type]


def read(strip: np.ndarray, grid: StripGrid, *plans: IqiPlan, **told: object) -> list[IqiRead]:
    tables = {"wire_diameters_mm": WIRES_MM, "duplex_table": DIAMETERS_MM}
    return list(read_iqis(strip, grid, plans, **(tables | told)))  # type: ignore[arg-type]


def test_a_wire_and_a_duplex_gauge_in_the_order_of_the_plans() -> None:
    strip = blank(ARC)
    lay(strip, wires(), 200, 100)  # 12 mm × 42 mm
    lay(strip, duplex_shot(SIGMA_MM), 300, 700)  # 24 mm × 70 mm, pairs from 6 mm on
    wire = IqiPlan("wire", 12.0, -1.0, length_mm=12)
    # The middle of the pairs is 33 mm right of the picture's edge, and 12 mm down.
    duplex = IqiPlan("duplex", 84.0, 13.0, length_mm=13, spacing_mm=4.5)
    first, second = read(strip.astype(np.uint16), ARC, wire, duplex)
    assert (first.plan, second.plan) == (wire, duplex)
    assert first.found
    assert first.wire is not None
    assert first.wire.thinnest == 16
    # Picture: columns 100 … 519, so its middle is 309.5 columns from s = −20.
    assert first.s_mm == pytest.approx(-20 + 30.95, abs=0.05)
    assert first.z_mm == pytest.approx(-28 + 20 + 6, abs=1.1)  # the 10 mm that are read
    assert first.wire.wires[0].at_mm == pytest.approx(-20 + 30.95 - 15, abs=0.08)
    assert first.box_s_mm[0] < 10.95 - 17.5
    assert second.duplex is not None
    assert second.duplex.sr_b_mm == pytest.approx(sr_b_mm(SIGMA_MM, 0.1), rel=0.025)
    assert second.s_mm == pytest.approx(-20 + 70 + 33 - 0.05, abs=0.1)
    assert second.z_mm == pytest.approx(-28 + 30 + 12, abs=0.2)


def test_across_the_datum_of_a_ring_and_as_told_by_a_negative_place() -> None:
    strip = blank(RING)
    lay(strip[:, :COLUMNS], wires(), 200, COLUMNS - 210)
    for told_mm in (0.0, 200.0):
        (found,) = read(strip, RING, IqiPlan("wire", told_mm, -2.0, length_mm=12))
        assert found.wire is not None
        assert found.wire.thinnest == 16
        assert found.s_mm == pytest.approx(told_mm - 0.05, abs=0.05)


def test_wires_that_follow_one_another_along_the_pipe() -> None:
    strip = blank(ARC)
    lay(strip, wires(off_mm=1.0).T.copy(), 50, 800)
    (found,) = read(strip, ARC, IqiPlan("wire", 66.0, -2.0, direction="z", length_mm=12))
    assert found.wire is not None
    assert found.wire.thinnest == 16
    assert found.z_mm == pytest.approx(-28 + 5 + 21 + 1 - 0.05, abs=0.05)
    assert found.s_mm == pytest.approx(-20 + 80 + 6, abs=1.1)


def test_a_gauge_on_the_sources_side_is_read_in_its_own_measure() -> None:
    """Shown 1.25 times larger: its wires 6.25 mm apart, 1.25 times as wide."""
    scale = 1.25
    larger = {number: scale * diameter for number, diameter in WIRES_MM.items()}
    strip = blank(ARC)
    lay(strip, wires(wires=larger, spacing_mm=6.25, size_mm=(15.0, 52.0)), 200, 100)
    plan = IqiPlan("wire", 16.0, -0.5, side="source", length_mm=12)
    (found,) = read(strip, ARC, plan, source_side_scale=scale, sr_b_mm=0.095)
    assert found.wire is not None
    assert found.wire.thinnest == 16
    ends = found.wire.wires[0].at_mm, found.wire.wires[-1].at_mm
    assert ends[1] - ends[0] == pytest.approx(6 * 6.25, abs=0.1)
    # Taken as lying on the detector's side the wires are 25 % too far apart.
    (wrong,) = read(strip, ARC, IqiPlan("wire", 16.0, -0.5, length_mm=12), sr_b_mm=0.095)
    assert wrong.wire is not None
    assert wrong.wire.thinnest != 16


def test_a_duplex_gauge_tells_how_wide_the_wires_shadows_are() -> None:
    strip = blank(ARC)
    lay(strip, wires(), 200, 100)
    lay(strip, duplex_shot(SIGMA_MM), 300, 700)
    wire = IqiPlan("wire", 12.0, -1.0, length_mm=12)
    duplex = IqiPlan("duplex", 84.0, 13.0, length_mm=13, spacing_mm=4.5)
    together, _ = read(strip, ARC, wire, duplex)
    (told,) = read(strip, ARC, wire, sr_b_mm=_.duplex.sr_b_mm if _.duplex else None)
    (alone,) = read(strip, ARC, wire)
    assert together.wire is not None
    assert told.wire is not None
    assert alone.wire is not None
    assert [w.depth for w in together.wire.wires] == [w.depth for w in told.wire.wires]
    assert [w.depth for w in together.wire.wires] != [w.depth for w in alone.wire.wires]


@pytest.mark.parametrize(
    ("plan", "said"),
    [
        (IqiPlan("wire", -25.0, 0.0), "reaches out of it"),
        (IqiPlan("wire", 60.0, 60.0), "reaches out of it"),
        (IqiPlan("duplex", 500.0, 0.0), "reaches out of it"),
        (IqiPlan("wire", 60.0, 0.0, set=6), "the profile has no diameter for W6"),
        (IqiPlan("wire", 60.0, 0.0), "no set of wires at these distances stands out"),
        (IqiPlan("duplex", 80.0, 0.0), "no duplex wire gauge is seen"),
    ],
)
def test_what_cannot_be_read_says_why(plan: IqiPlan, said: str) -> None:
    (found,) = read(blank(ARC), ARC, plan)
    assert not found.found
    assert said in found.why_not
    assert found.s_mm is None
    assert found.wire is None or found.wire.thinnest is None


def test_without_a_table_of_pairs() -> None:
    (found,) = read(blank(ARC), ARC, IqiPlan("duplex", 80.0, 0.0), duplex_table=())
    assert found.why_not == "the profile has no pairs of wires"


def test_what_is_not_covered_is_left_off_and_holes_do_no_harm() -> None:
    strip = blank(ARC)
    lay(strip, wires(size_mm=(20.0, 42.0)), 0, 100)
    (whole,) = read(strip, ARC, IqiPlan("wire", 11.0, -18.0, length_mm=20))
    strip[:40] = 0  # notches at the strip's edge
    strip[100, 150:153] = 0  # a hole that wasn't filled
    (found,) = read(strip, ARC, IqiPlan("wire", 11.0, -18.0, length_mm=20))
    assert found.wire is not None
    assert whole.wire is not None
    assert found.wire.thinnest == whole.wire.thinnest == 16
    assert found.box_z_mm[0] == pytest.approx(-24.0)
    strip[:] = 0
    (nothing,) = read(strip, ARC, IqiPlan("wire", 11.0, -18.0, length_mm=20))
    assert "shows nothing" in nothing.why_not


def test_the_strip_is_left_alone() -> None:
    strip = blank(RING).astype(np.uint16)
    before = strip.copy()
    read(strip, RING, IqiPlan("wire", 60.0, 0.0), IqiPlan("duplex", 80.0, 0.0))
    assert (strip == before).all()
