"""Windows lie beside the weld on plain metal, and on nothing else."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from pipeline.model import Origin, StripGrid
from pipeline.quality.noise.weld_line import WeldLine
from pipeline.quality.noise.windows import Window, WindowPlan, Zone, place_windows

GRID = StripGrid(500, 3000, 0.1, -20.0, -25.0, False)
PLAN = WindowPlan(groups=55, group=20, every_mm=20.0)
SNR = 200.0


def _line(grid: StripGrid = GRID, centre_mm: float = 0.0, half_width_mm: float = 5.0) -> WeldLine:
    s_mm = grid.s_first_mm + np.arange(5.0, grid.columns * grid.pitch_mm, 10.0)
    same = np.full_like(s_mm, centre_mm)
    return WeldLine(
        s_mm, same, 0 * same, same * 0 + half_width_mm, 0 * same, np.ones_like(s_mm, np.bool_)
    )


def _plate(grid: StripGrid = GRID, seed: int = 1) -> NDArray[np.float64]:
    noise = np.random.default_rng(seed).normal(0, 1 / SNR, (grid.rows, grid.columns))
    return np.asarray(20_000 * (1 + noise))


def _place(
    values: NDArray[np.float64],
    plan: WindowPlan = PLAN,
    origin: NDArray[np.uint8] | None = None,
    line: WeldLine | None = None,
) -> tuple[Window, ...]:
    return place_windows(np.rint(values).astype(np.uint16), origin, GRID, line or _line(), plan)


def _covered(windows: tuple[Window, ...]) -> NDArray[np.bool_]:
    mask = np.zeros((GRID.rows, GRID.columns), dtype=np.bool_)
    for window in windows:
        mask[window.pixels] = True
    return mask


def test_plain_plate_has_a_window_at_every_place_side_and_zone() -> None:
    windows = _place(_plate())
    assert Counter((one.side, one.zone) for one in windows) == dict.fromkeys(
        ((side, zone) for side in (-1, 1) for zone in Zone), 15
    )
    for one in windows:
        rows, columns = (end - first for first, end in (one.rows, one.columns))
        assert columns % 20 == 0
        assert rows * columns // 20 >= 55
        # z and s are the middle's, to the pixel.
        z_first = GRID.z_first_mm + one.rows[0] * GRID.pitch_mm
        assert one.z_mm == pytest.approx(z_first + (rows - 1) / 2 * GRID.pitch_mm)
        s_first = GRID.s_first_mm + one.columns[0] * GRID.pitch_mm
        assert one.s_mm == pytest.approx(s_first + (columns - 1) / 2 * GRID.pitch_mm)


def test_zones_begin_and_end_where_they_should() -> None:
    """To the toe at 5 mm: the nearest row is 1 to 8 mm off, the whole window within 8 mm, beyond
    that 8 mm or more; rows are rounded to whole ones."""
    for one in _place(_plate()):
        outer = one.side * (
            GRID.z_first_mm + GRID.pitch_mm * np.array([one.rows[0], one.rows[1] - 1])
        )
        nearest, furthest = outer.min() - 5, outer.max() - 5
        assert nearest == pytest.approx(one.toe_mm, abs=0.06)
        if one.zone is Zone.HEAT_AFFECTED:
            assert nearest == pytest.approx(PLAN.toe_gap_mm, abs=0.06)
            assert furthest <= PLAN.zone_mm
        else:
            assert nearest == pytest.approx(PLAN.zone_mm, abs=0.06)
            assert furthest <= PLAN.reach_mm


def _lead(values: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Ticks, a figure and a pair of thick wires beside the weld, in place; returns where."""
    there = np.zeros(values.shape, dtype=np.bool_)
    for tick in range(30, 3000, 100):
        there[320:352, tick : tick + 5] = True
    there[330:400, 1000:1080] = True
    there[130:190, 1500:1508] = there[130:190, 1516:1524] = True
    values[there] /= 3
    return there


def test_lead_and_wires_are_kept_clear_of() -> None:
    values = _plate()
    there = _lead(values)
    windows = _place(values)
    assert not (_covered(windows) & there).any()
    assert len(windows) >= 50


def test_a_thin_wire_along_the_pipe_is_seen_by_its_length() -> None:
    """0.3 mm wide and 0.6 % deep: 1.2 noises of a pixel, but 7.6 of the mean over 4 mm."""
    values = _plate()
    there = np.zeros(values.shape, dtype=np.bool_)
    for column in range(50, 3000, 90):
        there[:, column : column + 3] = True
    values[there] *= 1 - 0.006
    windows = _place(values)
    # Windows are 4 mm and wires 9 mm apart: by chance 43 of 60 windows would lie on one.
    touched = sum(bool(there[one.pixels].any()) for one in windows)
    assert touched <= 3
    assert len(windows) >= 50


def test_what_is_not_measured_is_kept_clear_of() -> None:
    values = _plate()
    origin = np.full(values.shape, Origin.MEASURED, np.uint8)
    origin[:, 600:1000] = Origin.NOT_COVERED
    origin[130:190:7, ::11] = Origin.FILLED
    values[:, 600:1000] = 0
    windows = _place(values, origin=origin)
    assert (origin[_covered(windows)] == Origin.MEASURED).all()
    assert not any(580 < (one.columns[0] + one.columns[1]) / 2 < 1020 for one in windows)
    # The near zone of the smaller z (rows 130 … 190) is full of filled pixels.
    assert Counter(one.side for one in windows if one.zone is Zone.HEAT_AFFECTED)[-1] < 3


def test_little_room_across_makes_windows_longer() -> None:
    """With 2 mm between toe and tape, 20 rows: three groups side by side are 19 rows."""
    plan = replace(PLAN, toe_gap_mm=0.5, zone_mm=2.5)
    windows = _place(_plate(), plan)
    shapes = {
        (one.rows[1] - one.rows[0], one.columns[1] - one.columns[0])
        for one in windows
        if one.zone is Zone.HEAT_AFFECTED
    }
    assert shapes <= {(19, 60), (14, 80)}
    assert shapes


@pytest.mark.parametrize(("groups", "group"), [(55, 20), (125, 20), (50, 30)])
def test_windows_of_other_sizes(groups: int, group: int) -> None:
    plan = replace(PLAN, groups=groups, group=group, every_mm=30.0)
    windows = _place(_plate(), plan)
    assert len(windows) >= 35
    for one in windows:
        rows, columns = (end - first for first, end in (one.rows, one.columns))
        assert rows * (columns // group) >= groups


def test_without_a_weld_line_nothing_is_placed() -> None:
    line = replace(_line(), seen=np.zeros(30, np.bool_))
    assert _place(_plate(), line=line) == ()


def test_a_weld_at_the_strip_s_edge_has_one_side_only() -> None:
    windows = _place(_plate(), line=_line(centre_mm=-21.0))
    assert {one.side for one in windows} == {1}


@pytest.mark.parametrize("pitch_mm", [0.05, 0.1, 0.2])
def test_blocks_of_any_size_keep_clear_of_every_odd_pixel(pitch_mm: float) -> None:
    """Single pixels that aren't measured, here and there, and a dark line askew of the blocks."""
    grid = StripGrid(round(60 / pitch_mm), round(90 / pitch_mm) + 3, pitch_mm, 0.0, -30.0, False)
    values = _plate(grid, seed=4)
    dark = slice(round(40.3 / pitch_mm), round(40.7 / pitch_mm))
    values[dark] /= 2
    origin = np.full(values.shape, Origin.MEASURED, np.uint8)
    picks = np.random.default_rng(5).integers(0, origin.size, 60)
    origin.flat[picks] = Origin.FILLED
    odd = origin != Origin.MEASURED
    odd[dark] = True
    plan = replace(PLAN, groups=20, every_mm=10.0)
    windows = place_windows(np.rint(values).astype(np.uint16), origin, grid, _line(grid), plan)
    assert len(windows) >= 25
    assert not any(odd[one.pixels].any() for one in windows)
