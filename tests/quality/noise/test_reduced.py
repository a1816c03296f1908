"""The array code behind weld line and windows, against plain loops and library functions."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.quality.noise.block_means import block_means
from pipeline.quality.noise.cap_shapes import CapShapes
from pipeline.quality.noise.known_medians import known_medians


@pytest.mark.parametrize("size", [1, 2, 4, 7])
def test_block_means_are_the_means(size: int) -> None:
    """float32 sums of up to 49 values: some 1e-6 of them. One unknown pixel spoils its block."""
    rng = np.random.default_rng(size)
    values = rng.integers(1, 65535, (150, 203)).astype(np.uint16)
    known = rng.random(values.shape) > 0.01
    rows, columns = values.shape[0] // size, values.shape[1] // size
    means, whole = block_means(values, known, size)
    blocks = (slice(rows * size), slice(columns * size)), (rows, size, columns, size)
    right = values[blocks[0]].reshape(blocks[1]).mean(axis=(1, 3))
    np.testing.assert_allclose(means, right, rtol=3e-6)
    np.testing.assert_array_equal(whole, known[blocks[0]].reshape(blocks[1]).all(axis=(1, 3)))


def test_a_picture_smaller_than_a_block_has_none() -> None:
    means, whole = block_means(np.ones((3, 50), np.uint16), np.ones((3, 50), np.bool_), 4)
    assert means.shape == whole.shape == (0, 12)


def test_medians_of_what_is_known_are_nanmedian_s() -> None:
    values = np.random.default_rng(1).normal(0, 1, (6, 40, 11))
    values[np.random.default_rng(2).random(values.shape) < 0.4] = np.nan
    values[0, 0, 1:], values[0, 0, 0] = np.nan, 3.0
    np.testing.assert_array_equal(known_medians(values), np.nanmedian(values, axis=-1))
    values[2, 3] = np.nan
    assert np.isnan(known_medians(values)[2, 3])
    assert np.isnan(known_medians(values, 2)[0, 0])


@pytest.mark.parametrize(("power", "root"), [(0.5, 0.2), (0.8, 0.3), (1.3, 0.45)])
def test_cap_shapes_are_the_bins_means_with_their_derivatives(power: float, root: float) -> None:
    """Means of 4,000 parts of a bin, to 1e-4 where the slope is infinite at a toe with power ½.
    Derivatives against differences of the shapes themselves over 2e-4 mm: they are exact but for a
    bin with a toe in it, where the curve bends, and the areas' table: 1e-6 over 2e-4."""
    bins, bin_mm = np.arange(-12.0, 12.0, 0.4), 0.4
    shapes = CapShapes(np.array([power]), np.array([root]), bin_mm)
    state = np.array([[0.13, 7.05]])
    found = shapes.at(bins[np.newaxis], state)
    parts = bins[:, np.newaxis] + ((np.arange(4000) + 0.5) / 4000 - 0.5) * bin_mm
    across = (parts - state[0, 0]) / state[0, 1]
    cap = np.maximum(1 - across**2, 0) ** power
    bead = np.cos(0.5 * np.pi * np.clip(across / root, -1, 1)) ** 2
    for shape, right in zip(found, (cap, bead), strict=True):
        np.testing.assert_allclose(shape.value[0], right.mean(axis=1), atol=1e-4)
        for which, told in ((0, shape.by_centre), (1, shape.by_half_width)):
            move = np.zeros((1, 2))
            move[0, which] = 1e-4
            after, before = (
                shapes.at(bins[np.newaxis], moved)[0 if right is cap else 1].value
                for moved in (state + move, state - move)
            )
            np.testing.assert_allclose(told, (after - before) / 2e-4, atol=0.01)
