"""Two strips of known difference: what is told of it must be that."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from pipeline.model import Origin, StripGrid
from pipeline.outputs.batch.picture import difference_png, reach_of
from pipeline.outputs.batch.pixels import StripArrays, compare_pixels

ROWS, COLUMNS, PITCH_MM = 60, 3000, 0.1
SIGMA, SIGMA_SCALE = 200, 0.5  # 100 gray values


@pytest.fixture
def old() -> StripArrays:
    rng = np.random.default_rng(3)
    shape = ROWS, COLUMNS
    return StripArrays(
        StripGrid(ROWS, COLUMNS, PITCH_MM, 0.0, -3.0, ring=True, overrun=0),
        rng.integers(9_000, 11_000, shape).astype(np.uint16),
        np.full(shape, SIGMA, np.uint16),
        SIGMA_SCALE,
        np.full(shape, 4, np.uint8),
        np.full(shape, Origin.MEASURED, np.uint8),
    )


def test_the_same_strip_differs_by_nothing(old: StripArrays) -> None:
    found = compare_pixels(old, old)
    assert found is not None
    change, cells = found
    assert (change.rms, change.equal, change.level, change.worst_cell) == (0, 1, 0, 0)
    assert (change.rms_touched, change.rms_untouched) == (None, 0)
    assert not cells.means.any()


def test_a_common_factor_is_told_and_taken_out(old: StripArrays) -> None:
    new = replace(old, values=np.rint(old.values * 1.05).astype(np.uint16))
    found = compare_pixels(old, new)
    assert found is not None
    # Rounding to whole gray values: at most half of one in 100 of σ, 0.3 on average.
    assert found[0].level == pytest.approx(0.05, abs=1e-5)
    assert found[0].rms < 0.005


def test_a_spot_is_found_where_it_is_and_as_strong_as_it_is(old: StripArrays) -> None:
    values = old.values.copy()
    values[30:36, 1500:1506] += 250  # 2.5 σ over two by two cells of three pixels
    count = old.count.copy()
    count[30:36, 1500:1506] = 3
    found = compare_pixels(old, replace(old, values=values, count=count))
    assert found is not None
    change, cells = found
    assert cells.side_px == 3
    assert change.cell_mm == pytest.approx(0.3)
    assert change.worst_cell == pytest.approx(2.5, rel=1e-6)
    assert change.worst_s_mm == pytest.approx(150.15, abs=0.31)
    assert change.worst_z_mm == pytest.approx(-3.0 + 3.15, abs=0.31)
    assert (change.fewer_frames, change.more_frames) == (36, 0)
    assert change.rms_touched == pytest.approx(2.5, rel=1e-6)
    assert change.rms_untouched == 0
    assert change.rms == pytest.approx(2.5 * np.sqrt(36 / (ROWS * COLUMNS)), rel=1e-6)
    assert reach_of(cells) == 0.5  # 4 of 20,000 cells don't set the colours
    assert difference_png(cells, 0.5).startswith(b"\x89PNG")


def test_filled_and_uncovered_pixels_are_counted_and_not_compared(old: StripArrays) -> None:
    origin = old.origin.copy()
    origin[5, :10] = Origin.FILLED
    origin[6, :20] = Origin.NOT_COVERED
    values = old.values.copy()
    values[5, :10] = 0
    values[6, :20] = 0
    found = compare_pixels(old, replace(old, values=values, origin=origin))
    assert found is not None
    assert found[0].filled == (0, 10)
    assert found[0].filled_new == 10
    assert found[0].not_covered == (0, 20)
    assert found[0].rms == 0


def test_strips_are_laid_on_each_other_by_their_places(old: StripArrays) -> None:
    lower = replace(
        old,
        grid=replace(old.grid, rows=40, z_first_mm=-2.0, s_first_mm=0.5, columns=COLUMNS - 5),
        **{name: getattr(old, name)[10:50, 5:] for name in ("values", "sigma", "count", "origin")},
    )
    for pair in ((old, lower), (lower, old)):
        found = compare_pixels(*pair)
        assert found is not None
        assert (found[0].rms, found[0].equal) == (0, 1)
    other = replace(old, grid=replace(old.grid, pitch_mm=0.12))
    assert compare_pixels(old, other) is None
    elsewhere = replace(old, grid=replace(old.grid, s_first_mm=COLUMNS * PITCH_MM))
    assert compare_pixels(old, elsewhere) is None
