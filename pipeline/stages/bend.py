"""How the shift between two frames varies over their overlap, from a few places where it is known.

A source off the axis, a wrong stand-off or a lift-off stretch what one frame shows against another.
Over an overlap that is smooth: along the scan the shift runs with s and s², hardly with z; along
the pipe with z and s·z, hardly with s. Left out of account over a patch it spoils strong edges,
which it moves by more than their own uncertainty.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.model import FloatArray

_FLOOR_PX = 0.02  # what such a shift errs by, however sure it is
_CAUCHY = 2.5  # standard deviations beyond which a place hardly counts
_ROUNDS = 4
_FREE = np.array([[0, 1, 2, 4], [0, 1, 2, 5]])  # terms of the shift down and across
_STRETCH = 0.01  # px a px; a source 8 mm off makes 0.004 of 24 inches, a lift-off less
_TURN = 0.001  # of a rotation, which all frames share
_BOW = 0.005  # by which the stretch changes from the overlap's middle to its end


@dataclass(frozen=True, slots=True)
class Bend:
    """A shift (rows, columns) that varies with the place: quadratic about ``middle`` (row, column).

    ``factors`` (2, 6): of 1, y, x, y², x·y, x² (y down, x across, px from the middle).
    """

    middle: tuple[float, float]
    factors: FloatArray

    def shift(self, row: float, column: float) -> tuple[float, float]:
        """The shift (rows, columns) at a place."""
        down, across = self.factors @ _terms(row - self.middle[0], column - self.middle[1])
        return float(down), float(across)

    def about(self, row: float, column: float) -> FloatArray:
        """(2, 5): how the shift varies about a place, factors of y, x, y², x·y, x² from there."""
        y, x = row - self.middle[0], column - self.middle[1]
        _, by_y, by_x, by_yy, by_xy, by_xx = self.factors.T
        return np.stack(
            [
                by_y + 2 * by_yy * y + by_xy * x,
                by_x + 2 * by_xx * x + by_xy * y,
                by_yy,
                by_xy,
                by_xx,
            ],
            axis=1,
        )


def fit_bend(at: FloatArray, shifts: FloatArray, variances: FloatArray, half_px: float) -> Bend:
    """The likeliest bend of an overlap that reaches ``half_px`` along the scan from its middle.

    ``at``, ``shifts``, ``variances`` (places, 2): (row, column) of each place, its shift and that
    one's variances. Robust (Cauchy weights): a place where something moved hardly counts. What the
    places don't tell stays near no bend; at least one place.
    """
    middle = at.mean(axis=0)
    terms = _terms(*(at - middle).T).T
    bow = _BOW / max(half_px, 1.0)
    sigma = np.array([[_STRETCH, _TURN, bow], [_TURN, _STRETCH, bow]])
    prior = np.zeros((2, 4, 4))
    prior[:, [1, 2, 3], [1, 2, 3]] = 1 / sigma**2
    basis = np.stack([terms[:, chosen] for chosen in _FREE])  # (2, places, 4)
    variance = variances.T + _FLOOR_PX**2
    level = np.median(shifts, axis=0)
    wanted = (shifts - level).T
    weight: FloatArray = 1 / variance
    found: FloatArray = np.zeros((2, 4))
    for _ in range(_ROUNDS):
        pulled = basis.transpose(0, 2, 1) * weight[:, np.newaxis]
        right = pulled @ wanted[:, :, np.newaxis]
        found = np.asarray(np.linalg.solve(pulled @ basis + prior, right)[:, :, 0])
        missed = wanted - (basis @ found[:, :, np.newaxis])[:, :, 0]
        weight = 1 / (variance + missed**2 / _CAUCHY**2)
    found[:, 0] += level
    factors = np.zeros((2, 6))
    np.put_along_axis(factors, _FREE, found, axis=1)
    return Bend((float(middle[0]), float(middle[1])), factors)


def _terms(y: FloatArray | float, x: FloatArray | float) -> FloatArray:
    """(6, …): 1, y, x, y², x·y, x²."""
    return np.stack([np.ones_like(y), y, x, np.square(y), np.multiply(x, y), np.square(x)])
