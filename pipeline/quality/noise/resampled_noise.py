"""What resampling does to noise: how much smaller it looks, and how alike neighbours become.

A strip's pixel is a weighted mean of its neighbours on the panel (kernels.resample): its noise is
smaller than a panel pixel's, and two neighbours in the strip share some of it. Seen from afar
nothing became better; an SNR that is to be compared with a panel's must have that taken out.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import product

import numpy as np

from pipeline.model import FloatArray, FloatImage

_PHASES = 2000
_NEAR = 3  # pixels: noise of the six-point interpolation is alike up to there, 0.2 % of it beyond
_FAR = 9  # pixels: up to there the metal's own structure is followed
_SIZES = (4.5, 7.0, 11.0, 20.0)  # pixels: how far structure may be alike, standard deviations
_ODD = 4.0  # times the usual variance
_FEWEST_PIXELS = 20_000  # fewer can't tell the structure's part to better than some 3 %


def lagrange_taps(phase: FloatArray) -> FloatArray:
    """The six Lagrange weights (6, n) of the samples at −2 … 3 for points at ``phase`` in [0, 1).

    The same as ``kernels.interpolation.taps``, for arrays.
    """
    nodes = np.arange(-2, 4)
    factors = [
        [(phase - other) / (node - other) for other in nodes if other != node] for node in nodes
    ]
    return np.asarray(np.prod(np.array(factors), axis=1))


@lru_cache(maxsize=16)
def resampled_correlation(step_px: float = 1.0) -> tuple[float, ...]:
    """Autocovariance of resampled white noise of variance 1 at 0, 1 … 5 strip pixels, one way.

    The mean over all phases; ``step_px`` is a strip pixel in panel pixels. The first is the part of
    the variance that is left: 0.8224 one way, 0.6764 for both.
    """
    phase = (np.arange(_PHASES) + 0.5) / _PHASES
    here = lagrange_taps(phase)
    found = []
    for lag in range(6):
        place = phase + lag * step_px
        first = np.floor(place).astype(np.int64)
        there = lagrange_taps(place - first)
        shared = np.zeros(_PHASES)
        for tap in range(6):  # a panel pixel that both places take from
            other = tap - first
            both = (other >= 0) & (other < 6)
            shared[both] += here[tap, both] * there[other[both], np.flatnonzero(both)]
        found.append(float(shared.mean()))
    return tuple(found)


@dataclass(frozen=True, slots=True)
class NoiseTexture:
    """What windows of a strip tell of their noise, apart from the metal's own structure.

    ``noise`` is one pixel's, over the mean, without structure. ``correlation`` are its
    autocorrelations along the scan at 0 … 3 pixels, and ``white_factor`` is how much larger the
    variance would be if the same noise, seen from afar, were white: 1 without correlation.
    ``structure_part`` is what of the windows' variance, mean and tilt taken away, isn't noise but
    the metal's surface: alike over many pixels and the same in every frame, so that no dose
    mends it.
    """

    noise: float
    correlation: tuple[float, ...]
    white_factor: float
    structure_part: float


def noise_texture(windows: Sequence[FloatImage]) -> NoiseTexture | None:
    """The texture of what many windows show, linear in dose: a stack (windows, rows, columns) for
    each shape.

    Of each window a tilted plane is taken away, and it is divided by its mean. Autocovariances
    along the scan at 4 … 9 pixels are the structure's alone; a sum of Gaussians and a constant
    through them (least squares, the Gaussians not negative; the constant, which the plane causes,
    may be) tells its part at the shorter distances, and what is left there is noise. Structure that
    is alike over less than some 4 pixels can't be told from it. Across the scan noise is taken to
    be correlated as along it. Windows with over 4 times the usual variance show something else and
    don't count. None where the windows have too few pixels.
    """
    residuals = [
        _without_planes(stack) for stack in windows if len(stack) and stack.shape[2] > _FAR
    ]
    variances = [np.square(stack).mean(axis=(1, 2)) for stack in residuals]
    usual = float(np.median(np.concatenate(variances))) if residuals else 0.0
    sums, pairs = np.zeros(_FAR + 1), np.zeros(_FAR + 1)
    for stack, variance in zip(residuals, variances, strict=True):
        lines = stack[variance <= _ODD * usual].reshape(-1, stack.shape[2])
        for lag in range(_FAR + 1):
            ahead, behind = lines[:, lag:], lines[:, : lines.shape[1] - lag]
            sums[lag] += float(np.einsum("ij,ij->", ahead, behind))
            pairs[lag] += ahead.size
    if pairs[0] < _FEWEST_PIXELS:
        return None
    found = sums / pairs
    structure = _structure(found)
    noise = found[: _NEAR + 1] - structure
    if noise[0] <= 0:
        return None
    correlation = noise / noise[0]
    one_way = 1 + 2 * float(correlation[1:].sum())
    return NoiseTexture(
        float(np.sqrt(noise[0])),
        tuple(float(one) for one in correlation),
        max(one_way, 0.0) ** 2,
        max(float(structure[0] / found[0]), 0.0),
    )


def _structure(found: FloatArray) -> FloatArray:
    """The structure's autocovariances at 0 … 3 pixels, from those at 4 … 9 pixels of ``found``.

    Every choice of Gaussians is tried with the constant; of those that need no negative one that
    with the least misfit is the solution of the bounded problem.
    """
    lags = np.arange(_FAR + 1.0)
    shapes = np.stack([np.exp(-0.5 * (lags / size) ** 2) for size in _SIZES], axis=1)
    constant = np.ones((_FAR + 1, 1))
    best, least = np.zeros(_NEAR + 1), np.inf
    for chosen in product((False, True), repeat=len(_SIZES)):
        terms = np.concatenate([shapes[:, np.array(chosen)], constant], axis=1)
        far = terms[_NEAR + 1 :]
        parts = np.linalg.lstsq(far, found[_NEAR + 1 :], rcond=None)[0]
        misfit = float(np.square(far @ parts - found[_NEAR + 1 :]).sum())
        if misfit < least and (parts[:-1] >= 0).all():
            best, least = terms[: _NEAR + 1] @ parts, misfit
    return best


def _without_planes(windows: FloatImage) -> FloatArray:
    """Each window over its mean, a tilted plane taken away; (windows, rows, columns)."""
    values = np.asarray(windows, dtype=np.float64)
    values = values / values.mean(axis=(1, 2), keepdims=True) - 1
    for axis in (1, 2):
        away = np.linspace(-1, 1, values.shape[axis])
        lines = values.mean(axis=3 - axis)
        tilt = lines @ away / float(away @ away)
        plane = tilt[:, np.newaxis] * away
        values -= np.expand_dims(plane, 3 - axis)
    return np.asarray(values - values.mean(axis=(1, 2), keepdims=True))
