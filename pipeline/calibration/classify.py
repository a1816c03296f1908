"""What makes a panel pixel bad: the classes of ASTM E2597, one test each.

Classes and thresholds as a public user forum quotes the 2014-era wording of the standard ("Bad
Pixel Management", 20 December 2019); clauses not checked. Every threshold is a parameter, with
the quoted value as default. A pixel can be in several classes.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.calibration.grouping import GroupRules
from pipeline.calibration.neighbourhood import neighbourhood_median
from pipeline.calibration.statistics import QUANTISATION_STD_GV
from pipeline.model import FlagImage, FloatImage, PixelClass

SHADOW_FRACTION = 0.2
"""Where the neighbourhood gets less than this part of the panel's median signal, *dead* is judged
against that part: the inside of a large dead patch has only dead neighbours."""

RESPONSE_SPAN = 0.5
"""How far a neighbourhood of raw response may lie from its smooth background."""

UNIFORM_SPAN = 0.05
"""The same for a corrected flat, which has next to no background left."""

LAG_SPAN = 1.0
"""The same for what is left after the beam went off, where noise is a good part of the signal."""

AFTERGLOW_STD = 5.0
"""So many standard deviations above its neighbours a pixel must lie to be persistent: of two
million pixels noise alone puts not one there."""

_RULES = GroupRules()


@dataclass(frozen=True, slots=True)
class BadPixelLimits:
    """Thresholds of the classes (relative where no unit is named), and the rules for groups."""

    under_responding: float = 0.6  # of the neighbourhood's median
    over_responding: float = 1.3
    neighbourhood_px: int = 21
    noisy_factor: float = 6.0  # times the panel's median standard deviation
    non_uniform: float = 0.01  # ± of the neighbourhood's median
    non_uniform_px: int = 9
    persistent_factor: float = 2.0  # times the neighbourhood's median lag
    persistent_px: int = 9
    dead_response: float = 0.05  # common practice, no published source
    kernel_good_neighbours: int = _RULES.kernel_good_neighbours  # see grouping.py
    line_min_px: int = _RULES.line_min_px
    line_max_adjacent: float = _RULES.line_max_adjacent

    @property
    def rules(self) -> GroupRules:
        """What makes a kernel pixel and a line."""
        return GroupRules(self.kernel_good_neighbours, self.line_min_px, self.line_max_adjacent)


def classify_response(
    signals: Sequence[FloatImage],
    clipped: NDArray[np.bool_],
    limits: BadPixelLimits,
    *,
    several_doses: bool,
) -> FlagImage:
    """Dead, under- and over-responding pixels, as uint8 bits (rows, columns).

    ``signals``: mean flat minus dark of each dose level, darkest first, float32 GV; a pixel that
    fails at any of them is bad. Dead: it answers with less than ``dead_response`` of its
    neighbourhood's median, or, with ``several_doses`` (levels far enough apart), its answer
    grows by less than that part from the least to the greatest. ``clipped`` pixels reach
    saturation in the brightest flats, where the panel as a whole doesn't: over-responding.
    """
    classes = np.zeros(clipped.shape, np.uint8)
    for signal in signals:
        median = neighbourhood_median(signal, limits.neighbourhood_px, span=RESPONSE_SPAN)
        dead = signal < limits.dead_response * _reference(signal, median)
        classes[dead] |= np.uint8(PixelClass.DEAD)
        under = signal < limits.under_responding * median
        classes[under & ~dead] |= np.uint8(PixelClass.UNDER_RESPONDING)
        over = signal > limits.over_responding * median
        classes[over] |= np.uint8(PixelClass.OVER_RESPONDING)
    if several_doses:
        growth = signals[-1] - signals[0]
        median = neighbourhood_median(growth, limits.neighbourhood_px, span=RESPONSE_SPAN)
        constant = growth < limits.dead_response * _reference(growth, median)
        classes[constant] |= np.uint8(PixelClass.DEAD)
    # A pixel that is dead at one level must not also count as slow at another.
    dead = (classes & np.uint8(PixelClass.DEAD)) != 0
    classes[dead] = np.uint8(PixelClass.DEAD)
    classes[clipped & ~dead] |= np.uint8(PixelClass.OVER_RESPONDING)
    return classes


def _reference(signal: FloatImage, median: FloatImage) -> FloatImage:
    floor = np.float32(SHADOW_FRACTION * np.median(signal))
    return np.maximum(median, floor)


def classify_noisy(
    dark_variance: FloatImage, frames: int, limits: BadPixelLimits
) -> NDArray[np.bool_]:
    """Pixels whose standard deviation over the darks exceeds ``noisy_factor`` times the panel's.

    ``dark_variance`` in GV², of at least two ``frames``. The panel's is the median of its pixels';
    from few frames the median of estimates is too small (by a third from two), so that the
    factor would be; this is made good for Gaussian noise. It counts as at least the noise of
    rounding.
    """
    from scipy.special import gammaincinv  # noqa: PLC0415  (slow import)

    std = np.sqrt(dark_variance)
    freedom = frames - 1
    median_of_one = float(np.sqrt(2 * gammaincinv(freedom / 2, 0.5) / freedom))
    typical = max(float(np.median(std)) / median_of_one, QUANTISATION_STD_GV)
    return np.asarray(std > limits.noisy_factor * typical)


def classify_persistent(
    after: FloatImage, noise_gv: float, limits: BadPixelLimits
) -> NDArray[np.bool_]:
    """Pixels that keep more than ``persistent_factor`` times their neighbours' median lag.

    ``after``: the first frame wholly after the beam went off minus the dark, float32 GV, or the
    mean of the first frames of several such sequences; ``noise_gv`` is the standard deviation
    that its pixels have at least. On a panel with next to no lag the factor says nothing; then,
    and where noise is large beside the lag, a pixel must lie five standard deviations above its
    neighbours, as most pixels scatter. A noisy pixel may be among those found.
    """
    # Raised, so that the neighbourhood's median can be formed: it takes positive pictures.
    raised = np.float32(2 * AFTERGLOW_STD * noise_gv + max(0.0, -float(np.median(after))))
    median = neighbourhood_median(after + raised, limits.persistent_px, span=LAG_SPAN)
    median -= raised
    scatter = 1.4826 * float(np.median(np.abs(after - median)))  # of a Gaussian: its std
    least = median + np.float32(AFTERGLOW_STD * max(noise_gv, scatter))
    return np.asarray(after > np.maximum(np.float32(limits.persistent_factor) * median, least))


def uniformity_deviation(corrected: FloatImage, limits: BadPixelLimits) -> FloatImage:
    """How far each pixel of a corrected flat lies from its neighbourhood's median, relative."""
    median = neighbourhood_median(corrected, limits.non_uniform_px, span=UNIFORM_SPAN)
    deviation: FloatImage = corrected / median
    deviation -= 1
    return deviation


def bad_neighbourhood(classes: FlagImage) -> NDArray[np.bool_]:
    """Good pixels whose eight neighbours are all bad; what lies outside the panel counts as bad."""
    bad = np.pad(classes != 0, 1, constant_values=True)
    rows, columns = classes.shape
    surrounded = classes == 0
    for down in range(3):
        for right in range(3):
            if (down, right) != (1, 1):
                surrounded &= bad[down : down + rows, right : right + columns]
    return np.asarray(surrounded)


def count_classes(classes: FlagImage) -> dict[str, int]:
    """How many pixels are in each class, by its name in small letters, and ``total``."""
    counts = {
        str(kind.name).lower(): int(np.count_nonzero(classes & np.uint8(kind)))
        for kind in PixelClass
    }
    return counts | {"total": int(np.count_nonzero(classes))}
