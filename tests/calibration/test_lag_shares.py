"""When parts of the panel have lag of their own, and the surface through them."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.calibration.lag_measure import LagFractions
from pipeline.calibration.lag_shares import lag_shares, to_the_edges

SIGMA = 1e-5


def measured(regions: np.ndarray, sigma: float = SIGMA) -> LagFractions:
    mean = float(regions.mean())
    return LagFractions((mean,), mean, 0.0, regions, sigma)


def test_parts_that_differ_by_noise_alone_get_no_share() -> None:
    rng = np.random.default_rng(5)
    told = [
        lag_shares(measured(0.006 + SIGMA * 20 * rng.standard_normal((4, 4)), 20 * SIGMA))
        for _ in range(500)
    ]
    # 15 degrees of freedom: χ² > 15 + 4·√30 = 36.9 once in 770.
    assert sum(one is not None for one in told) <= 4


@pytest.mark.parametrize("slope", [0.05, 0.2, 0.6])
def test_shares_are_relative_to_the_panel(slope: float) -> None:
    fractions = 0.006 * (1 + slope * np.linspace(-1, 1, 4)) * np.ones((3, 1))
    lag = measured(fractions / (1 + fractions))
    shares = lag_shares(lag)
    assert shares is not None
    total = lag.first_frame / (1 - lag.first_frame)
    np.testing.assert_allclose(shares * total, fractions, rtol=1e-9)


def test_differences_too_small_to_be_seen_get_no_share() -> None:
    regions = 0.006 + 0.9e-4 * np.array([[-1.0, 1.0], [1.0, -1.0]])
    assert lag_shares(measured(regions, 1e-7)) is None
    assert lag_shares(measured(0.006 + (regions - 0.006) * 1.2, 1e-7)) is not None


def test_one_part_has_no_share() -> None:
    assert lag_shares(measured(np.array([[0.006]]))) is None


@pytest.mark.parametrize("shape", [(1, 1), (1, 4), (3, 1), (2, 5)])
def test_a_plane_is_carried_to_the_edges(shape: tuple[int, int]) -> None:
    def plane(y: np.ndarray, x: np.ndarray) -> np.ndarray:
        down, across = (0.3 if side > 1 else 0.0 for side in shape)
        return 1 + down * (y[:, None] - 0.5) - across * (x - 0.5)

    y, x = ((np.arange(side) + 0.5) / side for side in shape)
    knots, rows, columns = to_the_edges(plane(y, x))
    assert (rows[0], rows[-1], columns[0], columns[-1]) == (0, 1, 0, 1)
    assert knots.shape == (shape[0] + 2, shape[1] + 2)
    np.testing.assert_allclose(knots, plane(rows, columns), atol=1e-12)


def test_no_lag_becomes_negative_towards_an_edge() -> None:
    knots, _, _ = to_the_edges(np.array([[0.1, 1.9]]))
    np.testing.assert_allclose(knots[1], [0, 0.1, 1.9, 2.8])
