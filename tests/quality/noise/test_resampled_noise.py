"""Resampled noise against the kernel that makes the strip, and against noise that it resampled."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from pipeline.kernels.interpolation import noise_left, taps
from pipeline.kernels.resample import unroll
from pipeline.quality.noise.resampled_noise import (
    lagrange_taps,
    noise_texture,
    resampled_correlation,
)


def test_the_weights_are_those_of_the_kernel() -> None:
    """The kernel's are float32: 6e-8 of a weight below 1, some roundings."""
    phases = np.array([0.0, 0.1, 0.37, 0.5, 0.93])
    ours = lagrange_taps(phases)
    theirs = np.array([taps(np.float32(phase)) for phase in phases]).T
    np.testing.assert_allclose(ours, theirs, atol=5e-7)


def test_what_is_left_is_the_mean_of_the_kernel_s_noise_factor() -> None:
    left = np.mean([noise_left(np.float32(phase)) for phase in np.linspace(0, 1, 401)[:-1]])
    assert resampled_correlation()[0] == pytest.approx(float(left), abs=1e-5)


def test_resampling_keeps_the_noise_s_low_frequencies() -> None:
    """The weights sum to one, so at steps of one pixel the autocovariances sum to the variance.
    Beyond 5 pixels nothing is shared."""
    covariance = resampled_correlation()
    assert covariance[0] + 2 * sum(covariance[1:]) == pytest.approx(1, abs=1e-6)


def _resampled(step: float, rows: int, columns: int, seed: int) -> np.ndarray:
    """White noise of variance 1 about 1,000, pushed through the strip's own interpolation."""
    rng = np.random.default_rng(seed)
    shape = int(rows * step) + 20, int(columns * step) + 20
    frame = (1000 + rng.normal(0, 1, shape)).astype(np.float32)
    table = np.zeros((8, columns), np.float32)
    table[0] = 5 + step * np.arange(columns)
    table[1], table[2] = 5.3, step
    return unroll(frame, table, rows)


def test_correlation_of_noise_that_the_strip_s_kernel_resampled() -> None:
    """400,000 pixels tell a correlation to 1/√400,000 = 0.0016, here three times that; the kernel
    works in float32 on 1,000, which adds 6e-5 of noise."""
    step = 0.967
    out = _resampled(step, 500, 800, 1).astype(np.float64)
    out -= out.mean()
    covariance = resampled_correlation(step)
    both_ways = covariance[0] ** 2
    assert out.var() == pytest.approx(both_ways, rel=3 * np.sqrt(2 / 400_000) * 1.2)
    for lag in range(1, 4):
        found = float((out[:, lag:] * out[:, :-lag]).mean()) / both_ways
        assert found == pytest.approx(covariance[lag] / covariance[0], abs=0.005)


def test_texture_of_resampled_noise_is_told_from_the_noise_itself() -> None:
    """The white factor is 1/0.6764, or 1.478 for steps of one pixel; at steps of 1.031 the noise is
    a little less alike. A correlation to 0.002, three of them, both sides and both ways: 2.4 %."""
    step = 1.031
    out = _resampled(step, 600, 900, 2)
    windows = [out[i : i + 55, j : j + 60] for i in range(0, 545, 55) for j in range(0, 840, 60)]
    found = noise_texture([np.stack(windows)])
    assert found is not None
    covariance = resampled_correlation(step)
    right = (1 + 2 * sum(covariance[1:4]) / covariance[0]) ** 2
    assert found.white_factor == pytest.approx(right, rel=0.024)
    assert found.structure_part < 0.02


@pytest.mark.parametrize("share", [0.1, 0.2, 0.5])
def test_noise_is_told_from_structure_of_the_metal(share: float) -> None:
    """Grains alike over 10 pixels (autocorrelation 1/e) beside white noise of 0.4 %.

    Found are the noise itself, to 1 %, and the structure's part. Of structure as large as noise a
    quadratic through u = 16 … 81 of exp(−u/100) misses 0.4 % at 0, and 100 windows of some 10
    grains tell its variance to 5 %: a tenth of the share.
    """
    rng = np.random.default_rng(3)
    grains = gaussian_filter(rng.normal(0, 1, (600, 900)), 5)
    grains *= np.sqrt(share / (1 - share)) / grains.std()
    noise = rng.normal(0, 1, grains.shape)
    picture = (1000 + 4 * (grains + noise)).astype(np.float32)
    places = [(i, j) for i in range(0, 545, 55) for j in range(0, 840, 60)]
    found = noise_texture([np.stack([picture[i : i + 55, j : j + 60] for i, j in places])])
    assert found is not None
    assert found.noise == pytest.approx(0.004, rel=0.01)
    # A plane per window takes some of the grains with it; what it leaves, by other means:
    rows, columns = np.mgrid[-1:1:55j, -1:1:60j]
    plane = np.stack([np.ones(3300), rows.ravel(), columns.ravel()], axis=1)
    left = [
        grains[i : i + 55, j : j + 60].ravel()
        - plane @ np.linalg.lstsq(plane, grains[i : i + 55, j : j + 60].ravel(), rcond=None)[0]
        for i, j in places
    ]
    variance = float(np.var(left))
    assert found.structure_part == pytest.approx(variance / (1 + variance), rel=0.1, abs=0.01)
    # 0.8 % of the structure left at each of three distances, both sides, both ways; statistics.
    ratio = share / (1 - share)
    assert found.white_factor == pytest.approx(1, abs=0.1 * ratio + 0.03)
    assert found.correlation[0] == 1


def test_too_few_pixels_tell_nothing() -> None:
    rng = np.random.default_rng(4)
    assert noise_texture([]) is None
    assert noise_texture([rng.normal(100, 1, (1, 55, 20)).astype(np.float32)]) is None
    assert noise_texture([rng.normal(100, 1, (1, 9000, 9)).astype(np.float32)]) is None
