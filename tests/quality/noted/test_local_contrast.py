"""The background that rows and columns around a place lead to expect at it."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.model import StripGrid
from pipeline.quality.noted.local_contrast import (
    Region,
    bridge_across,
    cut_patch,
    two_way_background,
)

ROUNDING = 1e-5  # float32 of numbers about 10


def additive(rows: int = 60, columns: int = 80) -> np.ndarray:
    """A value a row plus a value a column, both rough."""
    rng = np.random.default_rng(1)
    image = rng.uniform(0, 1, (rows, 1)) + rng.uniform(0, 1, (1, columns)) + 9
    return image.astype(np.float32)


def test_rows_and_columns_are_told_where_something_lies_on_them() -> None:
    image = additive()
    hidden = image.copy()
    hidden[25:35, 30:60] = np.nan
    assert np.abs(two_way_background(hidden) - image).max() < ROUNDING


def test_rows_without_a_pixel_are_bridged_and_nothing_known_is_zero() -> None:
    image = np.full((20, 30), np.nan, np.float32)
    image[:8], image[12:] = 1.0, 5.0
    found = two_way_background(image)
    assert np.isfinite(found).all()
    assert found[9].mean() == pytest.approx(1 + 4 * 2 / 5, abs=ROUNDING)
    assert not two_way_background(np.full((4, 5), np.nan, np.float32)).any()


def test_a_slow_rest_is_drawn_straight_across() -> None:
    """A rest that grows from row to row, and is unknown in ten of them."""
    left = np.repeat(np.arange(60, dtype=np.float32)[:, np.newaxis], 40, axis=1)
    left[25:35] = np.nan
    bridge = bridge_across(left, np.arange(25, 35), 3)
    assert not bridge[:25].any()
    assert not bridge[35:].any()
    # The means of six rows on each side lie three rows further out, at 21.5 and 37.5.
    assert bridge[25, 20] == pytest.approx(21.5 + 0.05 * 16, abs=1e-3)
    assert bridge[34, 20] == pytest.approx(21.5 + 0.95 * 16, abs=1e-3)


def test_at_the_strips_edge_one_side_does() -> None:
    left = np.full((20, 30), 2.0, np.float32)
    left[:6] = np.nan
    assert bridge_across(left, np.arange(6), 3)[:6] == pytest.approx(2.0)


def test_a_region_may_lie_across_a_rings_datum() -> None:
    grid = StripGrid(50, 200, 0.1, 0.0, 0.0, ring=True)
    values = (np.arange(50)[:, np.newaxis] * 1000 + np.arange(200)).astype(np.uint16)
    region = Region((10, 12), (195, 205))
    assert region.cut(values, grid)[0].tolist() == [*range(10195, 10200), *range(10000, 10005)]
    assert region.shifted(-195).columns == (0, 10)
    assert region.grown(20, grid) == Region((0, 32), (175, 225))


def test_a_patch_is_none_where_too_little_is_known() -> None:
    grid = StripGrid(60, 200, 0.1, 0.0, 0.0, ring=False)
    values = np.full((60, 200), 1000, np.uint16)
    region = Region((25, 35), (90, 110))
    patch = cut_patch(values, None, grid, region, slack_px=5, around_px=40)
    assert patch is not None
    assert patch.background_gv == pytest.approx(1000, rel=1e-5)
    assert np.abs(patch.signal).max() < ROUNDING
    assert patch.inside.sum() == 200
    assert patch.region_column == 40
    values[:, :100] = 0
    values[:20] = 0
    assert cut_patch(values, None, grid, region, slack_px=5, around_px=40) is None
