"""Surfaces through pictures with parts that stand out."""

import numpy as np
import pytest

from pipeline.calibration.smooth_surface import smooth_surface


def polynomial(rows, columns):
    y, x = np.mgrid[-1 : 1 : rows * 1j, -1 : 1 : columns * 1j]
    return 5 + 0.6 * x - 0.4 * y + 0.3 * x * y - 0.8 * x**2 + 0.2 * y**2


@pytest.mark.parametrize("shape", [(6, 6), (40, 30), (96, 72)])
def test_follows_a_polynomial_of_its_degree_exactly(shape):
    image = polynomial(*shape)
    np.testing.assert_allclose(smooth_surface(image, 2), image, atol=1e-6)
    assert np.abs(smooth_surface(image, 1) - image).max() > 0.1


@pytest.mark.parametrize("off", [-5.0, -0.2, 0.05, 40.0])
def test_a_fifth_that_stands_out_does_not_pull(off):
    rng = np.random.default_rng(1)
    clean = polynomial(60, 60)
    image = clean + rng.normal(0, 0.005, clean.shape)
    image[5:30, 10:42] += off  # 22 % of the picture
    away = smooth_surface(image, 2) - clean
    # Six coefficients from 2,800 values: about 0.005·√(6/2800) = 0.00023; more at the corners and
    # where the hole is, so ten times that.
    assert np.abs(away).max() < 0.0023


def test_a_flat_or_tiny_picture_has_its_median():
    np.testing.assert_array_equal(smooth_surface(np.full((20, 20), 3.0), 2), 3.0)
    tiny = np.array([[1.0, 2.0, 9.0]])
    np.testing.assert_array_equal(smooth_surface(tiny, 2), 2.0)


def test_the_least_spread_keeps_what_a_polynomial_misses():
    """A peak of 0.3, two thirds of it within a tenth of the side: cut off as an outlier, or not."""
    y, x = np.mgrid[-1:1:50j, -1:1:50j]
    image = polynomial(50, 50) + 0.3 * np.exp(-(x**2 + y**2) / 0.02)
    strict, lenient = (smooth_surface(image, 2, least_spread=least) for least in (0.0, 0.3))
    assert strict[25, 25] - polynomial(50, 50)[25, 25] < 1e-3
    assert lenient[25, 25] - polynomial(50, 50)[25, 25] > 5e-3
