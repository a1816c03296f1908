from __future__ import annotations

import numpy as np

from pipeline.simulation.texture import ring_curve, ring_field, ring_spline, spline_weights


def test_weights_sum_to_one_and_keep_a_straight_line() -> None:
    phase = np.array([0.0, 0.25, 0.9])
    weights = np.stack(spline_weights(phase))
    np.testing.assert_allclose(weights.sum(axis=0), 1, rtol=1e-15)
    # Knots at −1, 0, 1, 2 with their places as values give the place back.
    np.testing.assert_allclose(np.array([-1.0, 0.0, 1.0, 2.0]) @ weights, phase, atol=1e-15)


def test_a_ring_curve_meets_itself() -> None:
    values = np.random.default_rng(3).standard_normal(12)
    ends = ring_spline(values, np.array([0.0, 1.0, 0.999999, -0.000001]))
    assert ends[0] == ends[1]
    # Both lie 1e-6 turns before the seam, up to rounding.
    np.testing.assert_allclose(ends[2], ends[3], atol=1e-9)


def test_curves_and_fields_have_unit_deviation() -> None:
    rng = np.random.default_rng(4)
    turn = np.arange(20000) / 20000
    curve = ring_curve(rng, turn, knots=2000)
    # 2000 knots, each next to its neighbours' like: about 900 independent values, so the
    # deviation is known to 1/√(2·900) = 2.4 %; three times that.
    assert abs(curve.std() - 1) < 0.07
    assert abs(curve.mean()) < 3 / np.sqrt(900)
    field = ring_field(rng, turn, circumference_mm=500, half_height_mm=10, knot_mm=0.5)
    rows = np.stack([field.row(z) for z in np.linspace(-10, 10, 41)])
    assert rows.dtype == np.float32
    # 40 × 1000 knots: about 8000 independent values, 0.8 %; four times that.
    assert abs(rows.std() - 1) < 0.032


def test_the_same_seed_gives_the_same_curve() -> None:
    turn = np.linspace(0, 1, 50)
    one, other = (ring_curve(np.random.default_rng(5), turn, knots=9) for _ in range(2))
    np.testing.assert_array_equal(one, other)
