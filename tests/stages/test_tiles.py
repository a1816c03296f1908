"""The strip while it grows: blocks opened, finished and used again."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor

import numpy as np
import pytest

from pipeline.kernels.resample import BLOCK, COUNT, SUM_VALUE, SUM_VARIANCE, SUM_WEIGHT, TILE_SUMS
from pipeline.model import Origin, StripGrid
from pipeline.stages.tiles import SIGMA_SCALE, GrowingStrip


def grid(columns: int, overrun: int = 0) -> StripGrid:
    return StripGrid(5, columns, 0.1, 0.0, -0.2, overrun > 0, overrun)


def put(growing: GrowingStrip, block: int, value: float) -> None:
    tile = growing.tile(block).sums
    tile[:, SUM_WEIGHT] += 2
    tile[:, SUM_VALUE] += 2 * value
    tile[:, SUM_VARIANCE] += 4 * 100
    tile[:, COUNT] += 1


@pytest.mark.parametrize("columns", [BLOCK, BLOCK + 1, 3 * BLOCK - 1])
def test_every_block_lands_in_its_columns(columns: int) -> None:
    blocks = -(-columns // BLOCK)
    growing = GrowingStrip(grid(columns))
    with ThreadPoolExecutor(2) as pool:
        for block in range(blocks):
            put(growing, block, 100.0 * (block + 1))
        strip, filled = growing.strip(pool, fill_radius_px=3)
    assert filled == 0 and growing.clipped == 0
    np.testing.assert_array_equal(strip.values[2], 100 * (np.arange(columns) // BLOCK + 1))
    np.testing.assert_array_equal(strip.sigma, round(10 / SIGMA_SCALE))
    np.testing.assert_array_equal(strip.origin, Origin.MEASURED)
    assert strip.sigma_scale == SIGMA_SCALE


def test_a_tile_is_zero_when_opened_again() -> None:
    growing = GrowingStrip(grid(3 * BLOCK))
    with ThreadPoolExecutor(2) as pool:
        put(growing, 0, 500.0)
        first = growing.tile(0)
        assert growing.tile(0) is first and growing.open_blocks == {0}
        growing.add({}, {0}, pool)
        assert growing.open_blocks == set()
        reused = growing.tile(2)
        assert reused is first and not reused.sums.any() and not reused.spread.any()
        strip, _ = growing.strip(pool, fill_radius_px=0)
    assert (strip.values[:, :BLOCK] == 500).all() and not strip.values[:, BLOCK:].any()
    assert (strip.origin[:, BLOCK:] == Origin.NOT_COVERED).all()
    assert reused.sums.shape == (BLOCK, TILE_SUMS, 5)


@pytest.mark.parametrize("overrun", [1, 40, 100])
def test_the_overrun_repeats_the_beginning(overrun: int) -> None:
    growing = GrowingStrip(grid(100, overrun))
    with ThreadPoolExecutor(1) as pool:
        put(growing, 0, 70_000.0)
        put(growing, 1, 300.0)
        strip, _ = growing.strip(pool, fill_radius_px=3)
    assert growing.clipped == 5 * BLOCK  # counted once, not in the overrun too
    for image in (strip.values, strip.sigma, strip.count, strip.origin):
        assert image.shape == (5, 100 + overrun)
        np.testing.assert_array_equal(image[:, 100:], image[:, :overrun])


def test_nothing_at_all() -> None:
    growing = GrowingStrip(grid(100, 10))
    with ThreadPoolExecutor(1) as pool:
        strip, filled = growing.strip(pool, fill_radius_px=3)
    assert filled == 0 and not strip.values.any() and not strip.count.any()
