"""Signal-to-noise ratio line by line, and the same for a standard sharpness.

Groups of pixels in a row are judged each by itself (``kernels.line_noise``); the median over them
is the result. So a wire, a drop of spatter or a lead figure in a few groups doesn't change it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.kernels.line_noise import group_deviations, group_spread

REFERENCE_MM = 50e-3 * math.sqrt(math.pi)
"""0.0886 mm: the side of the square as large as the disc of 0.1 mm across that film's noise is
measured with."""

_LEAST_NOISE = 1e-9  # of the mean: below is rounding of the sums, far below a step of 16 bits


@dataclass(frozen=True, slots=True)
class Snr:
    """Mean over noise of one pixel: ``value``, its standard deviation ``sigma``, and how many
    ``groups`` tell it."""

    value: float
    sigma: float
    groups: int


def snr_n(snr: float, sr_b_mm: float, aperture_mm: float = REFERENCE_MM) -> float:
    """SNR · 88.6 µm / SR_b: what it would be at a basic spatial resolution of 88.6 µm.

    ``sr_b_mm`` must be positive; a profile may have another ``aperture_mm``. [found: a public
    national standard has this with the pixel's size; from memory: ISO 17636-2's form with SR_b.]
    """
    return snr * aperture_mm / sr_b_mm


def measure_snrs(
    windows: NDArray[Any],
    *,
    group: int = 20,
    good: NDArray[np.bool_] | None = None,
    taken: int = 2,
    correlation: tuple[float, ...] = (1.0,),
) -> list[Snr | None]:
    """The SNR of each window; None where no group is whole, or there is no noise at all.

    ``windows`` and ``good`` (windows, rows, columns): pixels linear in dose, cut into groups of
    ``group`` side by side in a row, from the left; a rest at the right, and groups with a pixel
    that isn't ``good``, don't count. Of each group the mean, or with ``taken`` = 2 a straight line,
    is taken away: the slope of beam and wall over 20 pixels isn't noise. Nothing more: what the
    metal's surface does within a group counts as noise, as in the standard's way. Noise over mean
    is made unbiased by ``group_spread``, for noise that is correlated too.
    """
    if group < taken + 2:
        raise ValueError(f"a group of {group} is too small to take {taken} values from it")
    count, columns = len(windows), windows.shape[2] // group * group
    groups = np.asarray(windows[..., :columns], dtype=np.float64).reshape(count, -1, group)
    mean = groups.mean(axis=2)
    used = mean > 0
    if good is not None:
        used &= good[..., :columns].reshape(groups.shape).all(axis=2)
    noise = group_deviations(groups, taken) / np.where(used, mean, 1.0)
    spread = group_spread(group, taken, correlation)
    found: list[Snr | None] = []
    for one, counts, number in zip(noise, used, used.sum(axis=1).tolist(), strict=True):
        told = one if number == one.size else one[counts]
        typical = spread.unbiased * float(np.median(told)) if number else 0.0
        if typical < _LEAST_NOISE:
            found.append(None)
            continue
        value = 1 / typical
        found.append(Snr(value, value * spread.relative_sigma / math.sqrt(number), number))
    return found
