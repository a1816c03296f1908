"""A smooth surface through a small picture, that places which stand out don't pull along."""

from __future__ import annotations

import numpy as np

from pipeline.model import FloatArray

REJECT_FACTOR = 4.685
"""Tukey's biweight: 95 % efficient for a Gaussian (Beaton & Tukey 1974)."""

_ROUNDS = 40
_SETTLED = 1e-3
_NEAR = 0.05  # standard deviations; nearer than that all weigh the same


def smooth_surface(image: FloatArray, degree: int, *, least_spread: float = 0.0) -> FloatArray:
    """The polynomial of total ``degree`` in row and column that most of ``image`` follows.

    Same shape as ``image`` (float64, (rows, columns)). First the surface from which the absolute
    distances are least (reweighted least squares), then Tukey's biweight about it: what lies more
    than 4.7 standard deviations off, as most pixels scatter, counts for nothing. Where a
    polynomial can't follow all that is smooth, ``least_spread`` is what they scatter at least.
    With up to a fifth of the picture off, in one place and to one side, the rest is still
    followed. A picture with fewer than three pixels a degree along a side has its median only.
    """
    if min(image.shape) < 3 * degree:
        return np.full(image.shape, np.median(image))
    y, x = (np.linspace(-1, 1, side) for side in image.shape)
    columns = np.polynomial.legendre.legvander(x, degree)
    rows = np.polynomial.legendre.legvander(y, degree)
    terms = np.stack(
        [
            np.outer(rows[:, i], columns[:, j]).ravel()
            for i in range(degree + 1)
            for j in range(degree + 1 - i)
        ],
        axis=1,
    )
    values = image.ravel()
    surface = np.full(values.shape, np.median(values))
    for rounds, weigh in ((_ROUNDS, _least_distance), (_ROUNDS, _biweight)):
        for _ in range(rounds):
            away = values - surface
            spread = max(1.4826 * float(np.median(np.abs(away))), least_spread)
            if spread == 0:
                return surface.reshape(image.shape)
            weighted = terms * weigh(away / spread)[:, np.newaxis]
            solution = np.linalg.lstsq(weighted.T @ terms, weighted.T @ values, rcond=None)[0]
            fitted = terms @ solution
            settled = float(np.abs(fitted - surface).max()) < _SETTLED * spread
            surface = fitted
            if settled:
                break
    return surface.reshape(image.shape)


def _least_distance(away: FloatArray) -> FloatArray:
    return np.asarray(1 / np.maximum(np.abs(away), _NEAR))


def _biweight(away: FloatArray) -> FloatArray:
    return np.asarray(np.maximum(1 - (away / REJECT_FACTOR) ** 2, 0) ** 2)
