"""Hits on the panel are brought back to their surroundings; what belongs to the metal stays."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import ndimage

from pipeline.kernels.spikes import SPIKE, without_spikes


@pytest.mark.parametrize("factor", [0.3, 3.0])
@pytest.mark.parametrize("size", [(1, 1), (2, 1), (2, 2)])
def test_single_pixels_and_small_groups_are_cut_to_their_surroundings(
    factor: float, size: tuple[int, int]
) -> None:
    values = np.full((30, 40), 1000.0, np.float32)
    hit = values.copy()
    hit[12 : 12 + size[0], 20 : 20 + size[1]] *= factor
    kept = hit.copy()
    found = without_spikes(hit)
    np.testing.assert_array_equal(hit, kept)  # inputs are left alone
    # No three of the group are in a row; 5 % remain.
    assert np.abs(found / values - 1).max() <= 0.05 + 1e-6
    assert np.count_nonzero(found != values) == size[0] * size[1]


def test_edges_lines_and_noise_are_left_as_they_are() -> None:
    rng = np.random.default_rng(3)
    values = rng.normal(1000, 7, (60, 80)).astype(np.float32)  # 5 % is seven of its sigmas
    values[:, 40:] *= 0.3
    values[20:23] *= 1.5
    values[40:52, 20:22] *= 0.3  # a bar two pixels wide, and its ends
    values[40:52, 60] *= 0.3
    np.testing.assert_array_equal(without_spikes(values), values)


@pytest.mark.parametrize("shape", [(40, 61), (5, 5), (3, 3), (2, 9)])
def test_the_same_as_by_scipys_openings_and_closings(shape: tuple[int, int]) -> None:
    """Source: scipy.ndimage.grey_opening and grey_closing; two pixels from the border inwards, as
    it takes what lies beyond otherwise."""
    values = np.random.default_rng(8).normal(1000, 60, shape).astype(np.float32)
    exact = values.astype(np.float64)
    opened = [ndimage.grey_opening(exact, size) for size in ((1, 3), (3, 1))]
    cut = np.minimum(exact, (1 + SPIKE) * np.maximum(*opened))
    closed = [ndimage.grey_closing(cut, size) for size in ((1, 3), (3, 1))]
    expected = np.maximum(cut, (1 - SPIKE) * np.minimum(*closed))
    found = without_spikes(values)
    assert found.shape == shape
    inside = (slice(4, -4), slice(4, -4))
    # A factor and a product in float32 of values near 1,000.
    np.testing.assert_allclose(found[inside], expected[inside], atol=2e-4)
    assert shape[0] < 9 or (found != values).sum() > 100
