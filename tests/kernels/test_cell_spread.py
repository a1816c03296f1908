"""How far frames lie apart, cell by cell, against plain numpy over all frames at once."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.kernels.resample import (
    NOISE_FIXED,
    NOISE_LINEAR,
    NOISE_SQUARE,
    SCALE,
    SPREAD_COLUMNS,
    WEIGHT,
)
from pipeline.kernels.spread import CELL_ROWS, cell_spread
from tests.kernels.test_resample import Job, dense, made


def several(count: int, seed: int = 0) -> list[Job]:
    """Frames of the same place and noise, each with its own weight, phase and bad pixels."""
    jobs = [made(seed + k, strip_rows=90) for k in range(count)]
    for job in jobs:
        job.table[SCALE], job.table[NOISE_LINEAR], job.table[NOISE_SQUARE] = 1, 0, 0
        job.table[NOISE_FIXED] = 400**2  # what `made` scatters the values by
    return jobs


def spread_of(jobs: list[Job]) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    tile, spread = jobs[0].tile, jobs[0].spread
    for job in jobs:
        job.accumulate(tile, spread)
    cells = -(-jobs[0].strip_rows // CELL_ROWS)
    squares, expected, shared = np.full((3, cells), np.nan)
    cell_spread(tile, spread, squares, expected, shared)
    return squares, expected, shared


@pytest.mark.parametrize("count", [1, 2, 5])
def test_the_same_as_numpy_over_all_frames(count: int) -> None:
    jobs = several(count)
    squares, expected, shared = spread_of(jobs)
    value, weight, variance = (
        np.stack(parts)[:, :, ::SPREAD_COLUMNS] for parts in zip(*map(dense, jobs), strict=True)
    )
    total = weight.sum(axis=0)
    safe = np.where(total > 0, total, 1)
    mean = (weight * value).sum(axis=0) / safe
    apart = (weight * (value - mean) ** 2).sum(axis=0)
    noise = (weight * variance).sum(axis=0) - (weight**2 * variance).sum(axis=0) / safe
    both = (weight > 0).sum(axis=0) > 1
    for cell in range(len(shared)):
        rows = slice(cell * CELL_ROWS, (cell + 1) * CELL_ROWS)
        here = both[rows]
        assert shared[cell] == here.sum()
        # Σ w v² and (Σ w v)²/Σ w are float32 sums of values 22 times their scatter: 6e-8 · 22²
        # of a rounding each, some ten of them, on top of one another.
        assert squares[cell] == pytest.approx(apart[rows][here].sum(), rel=1e-3)
        # The noise factor's own step between two phases (as in test_resample).
        assert expected[cell] == pytest.approx(noise[rows][here].sum(), rel=5e-3)
    assert (shared.sum() > 0) == (count > 1)


def test_noise_alone_gives_what_is_expected() -> None:
    squares = expected = 0.0
    for seed in range(12):
        jobs = several(3, seed=10 * seed)
        one, other, _ = spread_of(jobs)
        squares, expected = squares + one.sum(), expected + other.sum()
    # Some 12 · 500 pixels with two degrees of freedom, half of them independent: √(2/6000) = 1.8 %.
    assert squares / expected == pytest.approx(1, abs=0.06)


def test_bits_do_not_depend_on_the_weights_of_unseen_columns() -> None:
    jobs = several(2)
    whole = spread_of(jobs)
    for job in jobs:
        job.table[SCALE, job.table[WEIGHT] == 0] = 1e6
    for one, other in zip(whole, spread_of(jobs), strict=True):
        np.testing.assert_array_equal(one, other)
