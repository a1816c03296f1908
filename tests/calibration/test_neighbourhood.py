"""The fast neighbourhood median against the exact one of scipy."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import ndimage

from pipeline.calibration.neighbourhood import neighbourhood_median


def rolled_off(rows: int = 130, columns: int = 170, noise: float = 0.02) -> np.ndarray:
    y, x = np.mgrid[-1 : 1 : rows * 1j, -1 : 1 : columns * 1j]
    rng = np.random.default_rng(3)
    image = 9000 * (1 + 0.6 * x**2 + 0.3 * y**2) ** -1.5 * rng.normal(1, noise, (rows, columns))
    return image.astype(np.float32)


@pytest.mark.parametrize(("size_px", "span"), [(21, 0.5), (9, 0.05), (5, 0.2)])
def test_is_the_exact_median_but_for_its_steps(size_px, span):
    noise = span / 10  # so that medians lie within the span
    image = (rolled_off(noise=noise) / rolled_off(noise=0) * 500).astype(np.float32)
    rng = np.random.default_rng(4)
    image[rng.random(image.shape) < 0.01] = 0
    image[rng.random(image.shape) < 0.01] *= 3
    found = neighbourhood_median(image, size_px, span=span)
    half = size_px // 2
    inner = np.s_[half:-half, half:-half]
    exact = ndimage.median_filter(image, size_px)[inner]
    # Half a step is span/254. The background's noise, 1.25·noise/32, has a slope within the
    # window that can change the order of nearly equal values: allow twice that.
    tolerance = span / 250 + 2 * 1.25 * noise / 32
    assert np.max(np.abs(found[inner] / exact - 1)) < tolerance


@pytest.mark.parametrize("size_px", [9, 21])
def test_follows_roll_off_to_the_corners(size_px):
    noise, rows, columns = 0.02, 390, 510
    found = neighbourhood_median(rolled_off(rows, columns, noise), size_px, span=0.5)
    error = found / rolled_off(rows, columns, noise=0) - 1
    # Median of n² values: 1.25·noise/n, five times that; half a step; and curvature: relative
    # 0.6·3/255² = 2.8e-5 a pixel², over a background block 32²/8 of that = 0.35 %, as much again
    # along the border, where the background is carried on past the last block's centre.
    assert np.max(np.abs(error)) < 5 * 1.25 * noise / size_px + 0.5 / 250 + 2 * 0.0035


@pytest.mark.parametrize("edge", ["left", "right", "top", "bottom", "middle"])
def test_a_dead_line_of_ten_pixels_does_not_pull_the_median(edge):
    clean = rolled_off()
    image = clean.copy()
    where = {
        "left": np.s_[:, :10],
        "right": np.s_[:, -10:],
        "top": np.s_[:10],
        "bottom": np.s_[-10:],
        "middle": np.s_[:, 80:90],
    }[edge]
    image[where] = 0
    median = neighbourhood_median(image, 21, span=0.5)
    smooth = rolled_off(noise=0)
    # 11 live lines of 21: the median is the live pixels' least value or so, 2 % noise, over a
    # roll-off of up to 1 % a pixel at the very corner.
    assert np.all(median > 0.8 * smooth)
    assert np.all(median < 1.2 * smooth)


def test_a_wide_dead_patch_stays_above_zero():
    image = rolled_off()
    image[20:90, 20:90] = 0
    median = neighbourhood_median(image, 21, span=0.5)
    assert np.all(np.isfinite(median))
    assert np.all(median > 0)


@pytest.mark.parametrize("shape", [(1, 1), (1, 40), (6, 9), (20, 21)])
def test_small_panels_use_the_largest_window_that_fits(shape):
    image = np.full(shape, 100, np.float32)
    median = neighbourhood_median(image, 21, span=0.5)
    assert median.shape == shape
    np.testing.assert_allclose(median, 100, rtol=0.5 / 250)


@given(st.floats(1e-3, 1e4))
@settings(max_examples=20, deadline=None)
def test_scales_with_the_image(factor):
    image = rolled_off(40, 50)
    scaled = neighbourhood_median(image * np.float32(factor), 9, span=0.5)
    expected = neighbourhood_median(image, 9, span=0.5) * factor
    # float32 rounding may carry a value over a step: span/127.
    np.testing.assert_allclose(scaled, expected, rtol=0.5 / 120)
