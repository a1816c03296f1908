"""The core of noise line by line, against chi-square's own library and closed forms."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import chi2

from pipeline.kernels.line_noise import group_deviations, group_spread


@pytest.mark.parametrize(("group", "taken"), [(4, 2), (8, 1), (20, 1), (20, 2), (50, 2), (400, 1)])
def test_white_noise_has_chi_square_s_own_median(group: int, taken: int) -> None:
    """Both are right to some 1e-14 of float64; the trace of the projection adds 1e-15 a value."""
    freedom = group - taken
    middle = float(chi2.ppf(0.5, freedom))
    found = group_spread(group, taken)
    assert found.unbiased == pytest.approx(np.sqrt(freedom / middle), rel=1e-11)
    density = 4 * middle * float(chi2.pdf(middle, freedom))
    assert found.relative_sigma == pytest.approx(1 / density, rel=1e-11)


def test_noise_that_is_alike_leaves_fewer_degrees_of_freedom() -> None:
    """Neighbours alike by a half: each group's deviation comes out smaller and more scattered."""
    white, alike = group_spread(20, 2), group_spread(20, 2, (1.0, 0.5))
    assert alike.unbiased > white.unbiased
    assert alike.relative_sigma > 1.1 * white.relative_sigma


def test_deviations_with_a_mean_or_a_line_taken_away() -> None:
    """The sample's own with one degree of freedom less; a slope goes with the line, to 1e-9 of the
    values, which lose six digits in the difference."""
    groups = np.random.default_rng(1).normal(1000, 3, (5, 7, 20))
    np.testing.assert_allclose(group_deviations(groups, 1), groups.std(axis=2, ddof=1), rtol=1e-9)
    sloped = groups + np.linspace(-50, 50, 20)
    np.testing.assert_allclose(group_deviations(sloped, 2), group_deviations(groups, 2), rtol=1e-9)
