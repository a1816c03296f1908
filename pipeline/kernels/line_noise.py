"""Noise line by line: the deviation of groups of pixels side by side, and what makes it unbiased.

Groups of pixels in a row are judged each by itself, so that the median over them isn't changed by
what a few of them show. From memory: the way of ASTM E1815, E2446 and EN 14784-1, with groups of 20
values.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from pipeline.model import FloatArray

_NEWTON_STEPS = 12  # from Wilson and Hilferty's value, right to 1 %, each step doubles the digits


@dataclass(frozen=True, slots=True)
class Spread:
    """How the standard deviation of a group of pixels is spread about the true one.

    ``unbiased`` times the median over many groups is the true one; ``relative_sigma`` is that
    median's relative standard deviation for one group, and falls with the root of their number.
    """

    unbiased: float
    relative_sigma: float


@lru_cache(maxsize=64)
def group_spread(group: int, taken: int = 1, correlation: tuple[float, ...] = (1.0,)) -> Spread:
    """The spread of s = √(Σ residual² / (n − taken)) over groups of n normal values.

    ``taken`` values were fitted to each group: 1 its mean, 2 a straight line. ``correlation`` are
    the noise's autocorrelations at distances 0, 1, 2 … along the group, nothing beyond: what is
    alike in the whole group goes with the fit, and fewer values are independent. The sum of
    squares is taken as a multiple of chi-square of as many degrees of freedom as have its mean and
    variance; exact for white noise, where n = 20 with its mean taken gives 1.0179.
    """
    lags = np.zeros(group)
    lags[: min(group, len(correlation))] = correlation[:group]
    at = np.arange(group)
    noise = lags[np.abs(at[:, np.newaxis] - at)]
    left = _residual_of(group, taken)
    kept = left @ noise @ left
    mean, square = float(np.trace(kept)), float(np.sum(kept * kept))
    freedom = mean**2 / square
    middle, density = _chi_square_median(freedom)
    # √(middle/freedom) is the median of s in units of its root mean square; 2 · middle · density is
    # the density of the logarithm of √chi-square there.
    unbiased = math.sqrt(freedom / middle * (group - taken) / mean)
    return Spread(unbiased, 1 / (4 * middle * density))


def group_deviations(groups: FloatArray, taken: int) -> FloatArray:
    """Each group's standard deviation once its mean (``taken`` = 1) or a straight line (2) is taken
    away, over the degrees of freedom that are left; ``groups`` (…, n)."""
    residual = groups @ _residual_of(groups.shape[-1], taken)
    squares = np.einsum("...k,...k->...", residual, residual)
    return np.asarray(np.sqrt(squares / (groups.shape[-1] - taken)))


@lru_cache(maxsize=16)
def _residual_of(group: int, taken: int) -> FloatArray:
    """The symmetric matrix that takes a polynomial of ``taken`` coefficients from a group."""
    powers = np.vander(np.linspace(-1, 1, group), taken, increasing=True)
    basis, _ = np.linalg.qr(powers)
    return np.asarray(np.eye(group) - basis @ basis.T)


def _chi_square_median(freedom: float) -> tuple[float, float]:
    """Chi-square's median for any degrees of freedom from 1 on, and its density there.

    Newton's method on the series of the incomplete gamma function; a library's would take longer to
    import than all of this does.
    """
    half = freedom / 2
    log_gamma = math.lgamma(half)

    def density(x: float) -> float:
        return math.exp((half - 1) * math.log(x) - x - log_gamma)

    x = half * (1 - 2 / (9 * freedom)) ** 3
    for _ in range(_NEWTON_STEPS):
        term, below, number = 1.0, 1.0, half
        while term > 1e-17 * below:
            number += 1
            term *= x / number
            below += term
        step = (x / half * below) - 0.5 / density(x)
        x = max(x - step, x / 2)
        if abs(step) < 1e-14 * x:
            break
    return 2 * x, density(x) / 2
