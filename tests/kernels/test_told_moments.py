"""Where what tells a shift lies: against plain array sums, and what it foretells of a shift."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.kernels.shift import refine_shift
from pipeline.kernels.told_moments import told_moments
from tests.kernels.shifted_pictures import SIZE, moved, noisy, structure
from tests.kernels.test_shift import BEND, MIDDLE, WINDOW, bent_pair, varied

AT = (61.3, 55.1)


def terms(y: np.ndarray, x: np.ndarray) -> np.ndarray:
    return np.stack([y, x, y * y, x * y, x * x])


def by_arrays(a: np.ndarray, b: np.ndarray, shift: tuple[int, int]) -> np.ndarray:
    top, left, rows, columns = WINDOW
    i, j = np.mgrid[top : top + rows, left : left + columns]
    there = i + shift[0], j + shift[1]
    found = []
    for axis in range(2):
        weight = (
            np.gradient(a.astype(float))[axis][i, j] * np.gradient(b.astype(float))[axis][there]
        )
        mean = (terms(i - AT[0], j - AT[1]) * weight).sum(axis=(1, 2)) / weight.sum()
        found.append(mean)
    return np.array(found)


@pytest.mark.parametrize("shift", [(0, 0), (3, -2), (-1, 4)])
def test_the_moments_are_those_of_plain_sums(shift: tuple[int, int]) -> None:
    rng = np.random.default_rng(3)
    metal = structure(3)
    a, b = noisy(metal, 0.1, rng), noisy(moved(metal, *shift), 0.1, rng)
    near = (shift[0] + 0.3, shift[1] - 0.4)  # to the nearest pixel
    found = told_moments(a, b, WINDOW, near, AT)
    # Sums of 6,000 float32 products: 1e-5 of squares up to 80².
    np.testing.assert_allclose(found, by_arrays(a, b, shift), atol=0.05)


def test_a_shift_found_without_its_bend_is_the_mean_that_they_tell() -> None:
    careless, left = [], []
    for seed in range(12):
        a, b = bent_pair(seed)
        found = refine_shift(a, b, WINDOW, (0.3, -0.5))
        assert found is not None and found.converged
        y, x = found.at[0] - MIDDLE[0], found.at[1] - MIDDLE[1]
        by_y, by_x, by_yy, by_xy, by_xx = BEND.T
        along = by_y + 2 * by_yy * y + by_xy * x, by_x + 2 * by_xx * x + by_xy * y
        about = np.stack([*along, by_yy, by_xy, by_xx], axis=1)
        moments = told_moments(a, b, WINDOW, (found.rows, found.columns), found.at)
        off = [found.rows, found.columns] - varied(*(np.array(k) for k in found.at))
        careless.append(off)
        left.append(off - np.sum(moments * about, axis=1))
    # Not foretold: what the one direction's bend does to the other's shift where gradients lie
    # aslant, and the robust weights, as shifts here vary by 0.3 px and there is no noise.
    before, after = (np.sqrt(np.mean(np.square(k), axis=0)) for k in (careless, left))
    assert (after < 0.6 * before).all(), (before, after)


def test_what_tells_nothing_weighs_nothing_and_noise_stays_in_the_patch() -> None:
    flat = np.zeros((SIZE, SIZE), np.float32)
    assert not told_moments(flat, flat, WINDOW, (0.0, 0.0), AT).any()
    _, _, rows, columns = WINDOW
    corner = float(WINDOW[0]), float(WINDOW[1])
    for seed in range(40):
        rng = np.random.default_rng(seed)
        a, b = (noisy(flat.astype(float), 1.0, rng) for _ in range(2))
        for y, x, yy, xy, xx in told_moments(a, b, WINDOW, (0.0, 0.0), corner):
            assert 0 <= y <= rows - 1 and 0 <= x <= columns - 1
            assert 0 <= yy <= (rows - 1) ** 2 and 0 <= xx <= (columns - 1) ** 2
            assert abs(xy) <= (rows - 1) * (columns - 1)
