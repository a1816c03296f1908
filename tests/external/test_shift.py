"""Shifts beside those of two well-known packages, on the same pictures of known shift.

Sources: `skimage.registration.phase_cross_correlation` (scikit-image; Guizar-Sicairos, Thurman and
Fienup 2008) and `cv2.phaseCorrelate` (OpenCV); the truth is a shift in Fourier space
(`scipy.ndimage.fourier_shift`); the bound is Cramér and Rao's for a shift between two pictures.
"""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from skimage.registration import phase_cross_correlation

from pipeline.kernels.correlation import best_match
from pipeline.kernels.shift import refine_shift
from tests.kernels.shifted_pictures import SIZE, cramer_rao, moved, noisy, structure

WINDOW = (16, 16, SIZE - 32, SIZE - 32)
SEEDS = 25


def pictures(seed: int, sigma: float) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Two noisy pictures, the true shift from the first to the second, and the structure."""
    rng = np.random.default_rng([seed, 9])
    truth = rng.uniform(-2, 2, 2)
    metal = structure(seed)
    return noisy(metal, sigma, rng), noisy(moved(metal, *truth), sigma, rng), truth, metal


def ours(a: np.ndarray, b: np.ndarray) -> np.ndarray:
    """Coarse match, then least squares, as the registration does it."""
    row, column, height, width = WINDOW
    inner = a[row + 8 : row + height - 8, column + 8 : column + width - 8]
    peak = best_match(np.ascontiguousarray(inner), b, lobe_px=4)
    assert peak is not None
    start = peak.rows - row - 8, peak.columns - column - 8
    found = refine_shift(a, b, WINDOW, start)
    assert found is not None and found.converged
    return np.array([found.rows, found.columns])


def by_scikit_image(a: np.ndarray, b: np.ndarray) -> np.ndarray:
    # It tells how the second must move to lie on the first.
    shift, _, _ = phase_cross_correlation(
        a.copy(), b.copy(), normalization=None, upsample_factor=100
    )
    return -np.asarray(shift, dtype=np.float64)


def by_opencv(a: np.ndarray, b: np.ndarray) -> np.ndarray:
    (across, down), _ = cv2.phaseCorrelate(a.copy(), b.copy())
    return np.array([down, across])


@pytest.mark.parametrize("sigma", [0.02, 0.1])
def test_the_same_shift_as_scikit_image(sigma: float) -> None:
    for seed in range(SEEDS):
        a, b, _, metal = pictures(seed, sigma)
        bound = np.sqrt(np.diag(cramer_rao(metal, WINDOW, sigma)))
        # scikit-image sees the whole pictures (round the borders, where the shift is as true) and
        # tells steps of 0.01 px; ours sees the window. Each is within some bounds of the truth.
        limit = 0.005 + 5 * bound
        assert (np.abs(ours(a, b) - by_scikit_image(a, b)) < limit).all()


def test_the_same_shift_as_opencv() -> None:
    """OpenCV whitens the spectrum: the noise of the waves that hold no structure counts as much."""
    for seed in range(SEEDS):
        a, b, truth, _ = pictures(seed, 0.02)
        theirs = by_opencv(a, b)
        # A centroid of 5×5 px over the whitened peak: 0.1 px on such pictures (measured, and as
        # published for peak centroids: common practice, no published source).
        assert np.abs(theirs - truth).max() < 0.3
        assert np.abs(ours(a, b) - theirs).max() < 0.3


def test_nearer_to_the_truth_than_either_and_near_the_bound() -> None:
    errors: dict[str, list[np.ndarray]] = {"ours": [], "scikit-image": [], "opencv": []}
    bounds = []
    for seed in range(SEEDS):
        a, b, truth, metal = pictures(seed, 0.05)
        errors["ours"].append(ours(a, b) - truth)
        errors["scikit-image"].append(by_scikit_image(a, b) - truth)
        errors["opencv"].append(by_opencv(a, b) - truth)
        bounds.append(np.diag(cramer_rao(metal, WINDOW, 0.05)))
    rms = {name: float(np.sqrt(np.mean(np.square(e)))) for name, e in errors.items()}
    bound = float(np.sqrt(np.mean(bounds)))
    # 50 numbers scatter by 10 %; central differences and clipping cost a few per cent.
    assert 0.7 * bound < rms["ours"] < 1.35 * bound
    assert rms["ours"] < rms["opencv"]
    # scikit-image uses 1.8 times as many pixels here and a periodic world that real overlaps don't
    # have; its steps of 0.01 px alone leave 0.003 px.
    assert rms["ours"] < rms["scikit-image"] + 0.003
