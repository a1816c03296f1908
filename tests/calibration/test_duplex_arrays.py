"""The array code that reads a duplex gauge's profile, against library functions."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter1d
from scipy.signal import find_peaks

from pipeline.calibration import duplex_pairs


@pytest.mark.parametrize("prominence", [0.1, 1.0, 3.0])
@pytest.mark.parametrize("kind", ["rough", "with levels", "smooth"])
def test_tops_are_those_of_a_general_library(kind: str, prominence: float) -> None:
    walk = np.cumsum(np.random.default_rng(3).normal(0, 1, 2000))
    values = {"rough": walk, "with levels": np.round(walk), "smooth": gaussian_filter1d(walk, 2)}
    right, _ = find_peaks(values[kind], prominence=prominence)
    assert right.size > 5
    assert duplex_pairs._tops(values[kind], prominence) == right.tolist()


@pytest.mark.parametrize("half", [0.003, 0.02, 0.1, 0.5])
def test_parabolas_through_what_is_near_are_those_of_least_squares(half: float) -> None:
    """From hardly a point each to half of them all. A determinant of 1e-6, the least that is solved
    by Cramer's rule, takes six of 16 digits: 1e-9 of values of about 1. Fewer than three points
    have the solution of least norm."""
    rng = np.random.default_rng(4)
    x, y = np.sort(rng.uniform(-1, 1, 60)), rng.normal(0, 1, 60)
    places = np.linspace(-1.1, 1.1, 77)
    found = duplex_pairs.smoothed(x, y, places, half)
    for place, value in zip(places, found, strict=True):
        near = np.abs(x - place) <= half
        terms = np.vander((x[near] - place) / half, 3)
        right = np.linalg.lstsq(terms, y[near], rcond=None)[0][2] if near.any() else 0.0
        assert value == pytest.approx(right, rel=1e-9, abs=1e-9)
