"""A tile's sums turned into strip pixels: rounding, and both ends of 16 bits."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.kernels.resample import (
    BLOCK,
    COUNT,
    SUM_VALUE,
    SUM_VARIANCE,
    SUM_WEIGHT,
    TILE_SUMS,
)
from pipeline.kernels.strip_pixels import finish_tile


def finished(tile: np.ndarray, columns: int, sigma_scale: float = 0.25) -> tuple[np.ndarray, ...]:
    shape = tile.shape[0], columns
    values, sigma = np.full(shape, 7, np.uint16), np.full(shape, 7, np.uint16)
    count = np.full(shape, 7, np.uint8)
    turned = np.ascontiguousarray(tile.transpose(2, 1, 0))
    clipped = finish_tile(turned, np.float32(sigma_scale), values, sigma, count)
    return values, sigma, count, clipped


@pytest.mark.parametrize("sigma_scale", [0.25, 0.5, 1.0])
def test_finish_tile_rounds_mean_and_noise(sigma_scale: float) -> None:
    rng = np.random.default_rng(0)
    tile = np.zeros((5, TILE_SUMS, BLOCK), np.float32)
    tile[:, SUM_WEIGHT] = rng.uniform(0.1, 2, (5, BLOCK))
    tile[:, SUM_VALUE] = tile[:, SUM_WEIGHT] * rng.uniform(100, 60_000, (5, BLOCK))
    tile[:, SUM_VARIANCE] = (tile[:, SUM_WEIGHT] * rng.uniform(5, 300, (5, BLOCK))) ** 2
    tile[:, COUNT] = rng.integers(1, 9, (5, BLOCK))
    values, sigma, count, clipped = finished(tile, BLOCK, sigma_scale)
    exact = tile.astype(np.float64)
    # Rounding to integers, and a float32 of 60,000 is good to 0.004.
    assert np.abs(values - exact[:, SUM_VALUE] / exact[:, SUM_WEIGHT]).max() <= 0.51
    noise = np.sqrt(exact[:, SUM_VARIANCE]) / exact[:, SUM_WEIGHT] / sigma_scale
    assert np.abs(sigma - noise).max() <= 0.501
    np.testing.assert_array_equal(count, tile[:, COUNT])
    assert clipped == 0


def test_finish_tile_at_its_edges() -> None:
    tile = np.zeros((1, TILE_SUMS, BLOCK), np.float32)
    tile[0, SUM_WEIGHT, :7] = 2
    tile[0, SUM_VALUE, :7] = 2 * np.array([70_000, 65_535.4, 65_535.5, 0.2, -40, 1.5, 1e9])
    tile[0, SUM_VARIANCE, :7] = [4, 4, 1e20, 0, 4, 4, 4]
    tile[0, COUNT, :7] = [1, 2, 3, 255, 256, 400, 1]
    values, sigma, count, clipped = finished(tile, 9)
    # Seen: from 1 to 65535; never seen: 0.
    assert values.tolist() == [[65_535, 65_535, 65_535, 1, 1, 2, 65_535, 0, 0]]
    assert clipped == 3  # those that round to more than 65535
    assert sigma[0, :4].tolist() == [4, 4, 65_535, 1]
    assert sigma[0, 7:].tolist() == [0, 0]
    assert count.tolist() == [[1, 2, 3, 255, 255, 255, 1, 0, 0]]


def test_finish_tile_writes_the_last_partial_block_only_as_far_as_it_goes() -> None:
    tile = np.ones((BLOCK, TILE_SUMS, 3), np.float32)
    strip = np.zeros((3, 20), np.uint16)
    sigma, count = strip.copy(), np.zeros((3, 20), np.uint8)
    finish_tile(tile, np.float32(1), strip[:, 15:], sigma[:, 15:], count[:, 15:])
    assert not strip[:, :15].any()
    assert (strip[:, 15:] == 1).all() and (count[:, 15:] == 1).all()
