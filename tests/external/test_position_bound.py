"""The bound on positions that the benchmark prints, beside the bound of a single shift.

Source: Cramér and Rao's bound for a shift between two pictures, 2σ² over the sum of squared
gradients (Robinson and Milanfar 2004, *from memory*), as tests/kernels/shifted_pictures.py has it.
"""

from __future__ import annotations

import numpy as np
import pytest

from tests.benchmarks.position_bound import CELL_PX, position_bound_px
from tests.kernels.shifted_pictures import SIZE, cramer_rao, structure

SIGMA = 0.1
WHOLE = np.array([0.0]), np.array([SIZE - 1.0])


def bound(picture: np.ndarray, frames: int, **unknown: np.ndarray) -> np.ndarray:
    """Of frames that each show the whole picture."""
    variance = np.full(picture.shape, SIGMA**2)
    first, last = (np.repeat(end, frames) for end in WHOLE)
    return position_bound_px(picture, variance, first, last, **unknown)


def test_two_frames_are_two_pictures() -> None:
    picture = structure(3, wave_px=4.0)
    shift = np.sqrt(np.diag(cramer_rao(picture, (0, 0, SIZE, SIZE), SIGMA)))[::-1]  # (s, z)
    # Each lies half the shift from their mean. Gradients here are differences, 4 % low for
    # waves of 4 px, and one-sided at the picture's border.
    np.testing.assert_allclose(bound(picture, 2), np.tile(shift / 2, (2, 1)), rtol=0.06)


@pytest.mark.parametrize("frames", [3, 5])
def test_more_frames_of_the_same_place_scatter_about_their_mean(frames: int) -> None:
    """With one position a frame and all frames alike: σ²/Σg² times (1 − 1/n)."""
    picture = structure(4)
    two = bound(picture, 2) ** 2  # 1/2 of σ²/Σg²
    expected = 2 * two[0] * (1 - 1 / frames)
    np.testing.assert_allclose(bound(picture, frames) ** 2, np.tile(expected, (frames, 1)))


def test_an_unknown_that_moves_a_frame_alone_makes_it_unknown_unless_it_is_known_before() -> None:
    picture = structure(5)
    cells = -(-SIZE // CELL_PX)
    moves = np.zeros((cells, cells, 3, 2, 1))
    moves[:, :, 1, 0, 0] = 1.0  # as much as that frame's own position
    known, rough, fine = (
        bound(picture, 3, moves=moves, sigmas=np.array([sigma])) for sigma in (1e-9, 1.0, 0.01)
    )
    np.testing.assert_allclose(known, bound(picture, 3), rtol=1e-4)
    # The frame's place is its own bound and what is uncertain beside it, less its part in the mean.
    for found, sigma in ((rough, 1.0), (fine, 0.01)):
        assert found[1, 0] == pytest.approx(np.hypot(known[1, 0], sigma * 2 / 3), rel=1e-3)
        assert found[1, 1] == pytest.approx(known[1, 1], rel=1e-6)
