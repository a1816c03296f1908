"""How the shift varies over an overlap, from a few places: found, robust, and never invented."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.stages.bend import fit_bend

PLACES = np.array([(r, c) for r in (80.0, 260.0, 440.0) for c in (90.0, 270.0, 450.0)])
HALF_PX = 270.0


def field(row: np.ndarray, column: np.ndarray) -> np.ndarray:
    """(places, 2): a shift (down, across) such as a source off the axis makes; views' pixels."""
    y, x = row - 260, column - 270
    down = 1.3 + 0.002 * y - 0.0004 * x + 8e-6 * x * y
    return np.stack([down, -160.2 + 0.004 * x + 0.0002 * y - 6e-6 * x * x], axis=-1)


def fitted(sigma_px: float, seed: int = 0, moved: int | None = None) -> tuple[np.ndarray, ...]:
    """Errors of the shift (px) and of its slopes (px a px) at the places."""
    rng = np.random.default_rng(seed)
    shifts = field(*PLACES.T) + sigma_px * rng.standard_normal(PLACES.shape)
    if moved is not None:
        shifts[moved] += (1.5, -2.0)
    bend = fit_bend(PLACES, shifts, np.full(PLACES.shape, sigma_px**2), HALF_PX)
    step = 5.0
    slopes = [
        [
            (field(r + step, c) - field(r - step, c)) / (2 * step),
            (field(r, c + step) - field(r, c - step)) / (2 * step),
        ]
        for r, c in PLACES
    ]
    found = np.array([bend.shift(*place) for place in PLACES])
    about = np.array([bend.about(*place)[:, :2] for place in PLACES])
    return found - field(*PLACES.T), about - np.array(slopes).transpose(0, 2, 1)


@pytest.mark.parametrize("moved", [None, 0, 4])
def test_shift_and_slopes_are_found_also_beside_something_that_moved(moved: int | None) -> None:
    shift, slopes = fitted(0.0, moved=moved)
    # The priors' pull: (the floor of 0.02 px over 180 px and 9 places)² against 0.01² and 0.001²:
    # some 1 % of the turn, 0.02 % of the stretch. What moved by a hundred floors keeps a weight of
    # (2.5 / 100)², but at first it had the full one: four rounds leave a few hundredths of it.
    assert np.abs(shift).max() < (0.002 if moved is None else 0.06)
    assert np.abs(slopes).max() < (2e-5 if moved is None else 3e-4)


def test_noise_leaves_what_least_squares_leaves() -> None:
    errors = np.array([fitted(0.05, seed)[1] for seed in range(40)])
    # A slope from nine places over ± 180 px: √(0.05² + 0.02²) / (180 √6) = 1.2e-4; the stretch is
    # bent too, which leaves twice that at the ends; Cauchy's weights cost some more.
    assert np.sqrt(np.mean(errors**2, axis=(0, 1))).max() < 3.5e-4


def test_slopes_are_those_of_the_shift() -> None:
    bend = fit_bend(PLACES, field(*PLACES.T), np.full(PLACES.shape, 1e-6), HALF_PX)
    for row, column in ((100.0, 480.0), (300.5, 12.0)):
        here = np.array(bend.shift(row, column))
        for y, x in ((7.0, 0.0), (0.0, -9.0), (20.0, 30.0)):
            by = bend.about(row, column) @ (y, x, y * y, x * y, x * x)
            np.testing.assert_allclose(bend.shift(row + y, column + x), here + by, atol=1e-9)


def test_one_place_tells_no_bend() -> None:
    bend = fit_bend(PLACES[:1], np.array([[0.7, -30.0]]), np.array([[1e-4, 1e-4]]), HALF_PX)
    np.testing.assert_allclose(bend.shift(10, 400), (0.7, -30.0))
    assert not bend.about(10, 400).any()
