"""A part that changes over the panel, against numpy's own interpolation."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.kernels.lag import add_part, between_knots


@pytest.mark.parametrize("count", [1, 2, 7, 64])
@pytest.mark.parametrize("knots", [[0.0, 1.0], [0.0, 0.5, 1.0], [0.0, 0.1, 0.7, 1.0]])
def test_places_between_knots_are_numpys(count: int, knots: list[float]) -> None:
    before, towards = between_knots(np.array(knots), count)
    assert before.min() >= 0 and before.max() <= len(knots) - 2
    assert towards.min() >= 0 and towards.max() <= 1
    values = np.random.default_rng(1).normal(size=len(knots))
    found = values[before] + towards * (values[before + 1] - values[before])
    expected = np.interp((np.arange(count) + 0.5) / count, knots, values)
    np.testing.assert_allclose(found, expected, rtol=1e-5, atol=1e-6)  # float32 of the way


def test_the_part_is_linear_from_knot_to_knot() -> None:
    rng = np.random.default_rng(2)
    values, earlier = (rng.uniform(0, 50_000, (30, 5)).astype(np.float32) for _ in range(2))
    part = rng.uniform(-0.1, 0.1, (3, 5)).astype(np.float32)
    knots = np.array([0.0, 0.3, 1.0])
    rows = (np.arange(30) + 0.5) / 30
    weights = np.stack([np.interp(rows, knots, column) for column in part.T], axis=1)
    expected = values + weights * earlier
    before = earlier.copy()
    add_part(values, earlier, part, *between_knots(knots, 30))
    np.testing.assert_allclose(values, expected, atol=0.02)  # float32 of 50,000
    np.testing.assert_array_equal(earlier, before)
