from __future__ import annotations

import numpy as np
import pytest

from pipeline.calibration.plane_fit import (
    apply_homography,
    bend_terms,
    fit_bend,
    fit_bent_homography,
    fit_homography,
)

TRUE = np.array([[10.2, 0.4, 700.0], [-0.3, 10.1, 500.0], [4e-5, -2e-5, 1.0]])


def lattice(side: int = 9, spacing: float = 5.0) -> np.ndarray:
    numbers = (np.arange(side) - side // 2) * spacing
    return np.stack(np.meshgrid(numbers, numbers), axis=-1).reshape(-1, 2)


def test_a_projection_without_noise_is_found_exactly() -> None:
    plane = lattice()
    seen = apply_homography(TRUE, plane)
    found = fit_homography(plane, seen)
    # Double precision over an SVD of places of some hundreds.
    np.testing.assert_allclose(apply_homography(found, plane), seen, atol=1e-8)
    np.testing.assert_allclose(found, TRUE, rtol=1e-7, atol=1e-9)


def test_four_points_settle_a_projection() -> None:
    corners = np.array([[0.0, 0], [30, 0], [0, 20], [30, 20]])
    seen = apply_homography(TRUE, corners)
    found = fit_homography(corners, seen)
    np.testing.assert_allclose(apply_homography(found, corners), seen, atol=1e-7)


def test_no_other_projection_is_nearer_to_noisy_points() -> None:
    plane = lattice()
    rng = np.random.default_rng(4)
    seen = apply_homography(TRUE, plane) + rng.normal(0, 0.05, (len(plane), 2))
    found = fit_homography(plane, seen)

    def misfit(matrix: np.ndarray) -> float:
        return float(((seen - apply_homography(matrix, plane)) ** 2).sum())

    best = misfit(found)
    assert best < misfit(TRUE)
    for place in range(8):  # every one of its eight numbers moved a little to both sides
        for sign in (-1, 1):
            other = found.copy()
            other.ravel()[place] += sign * 1e-4 * max(abs(other.ravel()[place]), 1e-4)
            assert misfit(other) > best


def test_a_cubic_surface_is_found_exactly() -> None:
    unit = lattice() / 20
    rng = np.random.default_rng(5)
    true = rng.normal(0, 1, (10, 2))
    error = bend_terms(unit) @ true
    assert bend_terms(unit).shape == (81, 10)
    found = fit_bend(unit, error)
    np.testing.assert_allclose(found, true, atol=1e-9)


def test_a_bend_doesnt_pass_for_a_tilt() -> None:
    """An odd bend beside a projection, points only in one half: both are found."""
    plane = lattice()
    plane = plane[plane[:, 0] > -12]
    ideal = apply_homography(TRUE, plane)
    middle = np.array([700.0, 500.0])

    def bent(amount: float) -> np.ndarray:
        seen = ideal.copy()
        for _ in range(30):
            unit = (seen - middle) / 250
            seen = ideal - amount * unit * (unit**2).sum(axis=1, keepdims=True)
        return seen

    def keystone(matrix: np.ndarray) -> np.ndarray:
        return matrix[2, :2]

    seen = bent(3.0)
    plain = fit_homography(plane, seen)
    both = fit_bent_homography(plane, seen, (seen - middle) / 250)
    # What the plain one makes of 3 px of bend, and what is left of that when the bend is fitted.
    wrong = np.abs(keystone(plain) - keystone(TRUE)).max()
    assert wrong > 1e-5
    assert np.abs(keystone(both) - keystone(TRUE)).max() < 0.1 * wrong


def test_terms_are_those_up_to_the_third_degree() -> None:
    values = bend_terms(np.array([[2.0, 3.0]]))[0]
    assert sorted(values) == sorted([1, 2, 4, 8, 3, 9, 27, 6, 12, 18])
    assert values.sum() == pytest.approx(90)
