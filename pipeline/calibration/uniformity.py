"""Non-uniform pixels: corrected flats that are not flat, judged on independent exposures."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.calibration.classify import BadPixelLimits, uniformity_deviation
from pipeline.calibration.levels import Level, combine
from pipeline.calibration.noise import relative_variance
from pipeline.calibration.product import NoiseModel
from pipeline.model import FloatImage

FALSE_ALARMS = 4e-5
"""Share of good pixels that noise alone may push over the limit.

Where noise sets it, the limit then lies 4.1 standard deviations out, and a pixel that deviates by
1.5 times the limit is found in 98 of 100 cases: 0.5 · 4.1 = 2.05 standard deviations beyond.
"""


@dataclass(frozen=True, slots=True)
class Uniformity:
    """Non-uniform pixels (bool), the limit at the panel's median signal (relative), and the
    robust standard deviation of the corrected flats (relative, noise included): the best test's.
    """

    failing: NDArray[np.bool_]
    limit: float
    spread: float


def independent_tests(
    sets: Sequence[Level], halves: Sequence[Level]
) -> list[tuple[Level, Sequence[Level]]]:
    """Flats to test, each with the flats that its gain is made from, none of which it shares.

    ``sets`` are the means of each set of flats, of whatever dose: a pixel that is off in one of
    them only (at one dose, or hot, or late in the shift) is off in that set's test. With a single
    set its ``halves``, first and second, are tested instead.
    """
    if len(sets) == 1:
        return [(halves[0], halves[1:])]
    if len(sets) == 2:  # either way round is the same test
        return [(sets[0], sets[1:])]
    return [(one, [other for other in sets if other is not one]) for one in sets]


def find_non_uniform(
    tests: Sequence[tuple[Level, Sequence[Level]]],
    noise: NoiseModel,
    dark_frames: int,
    good: NDArray[np.bool_],
    limits: BadPixelLimits,
) -> Uniformity:
    """Pixels that deviate in any test: a level, corrected with a gain made from *other* flats.

    A flat corrected with a gain that it helped to make would hide a part of its own deviation.
    ``good`` pixels are those that respond, one way or another; one that doesn't in the tested
    flat, or in all others, fails. The limit is ``limits.non_uniform``, but no less than
    what noise exceeds in ``FALSE_ALARMS`` of good pixels over all tests: the ±1 % of the standard
    takes for granted a mean flat of SNR ≥ 400 (at 200, noise alone flags 4.6 % of a panel). The
    noise at each pixel comes from the noise model: quanta and read noise of tested flat and gain,
    and the noise of the dark that both share.
    """
    from scipy.special import ndtri  # noqa: PLC0415  (slow import)

    factor = np.float32(-ndtri(FALSE_ALARMS / 2 / len(tests)))
    failing = np.zeros(good.shape, np.bool_)
    limit = spread = np.inf
    for tested, others in tests:
        gain, _ = combine(others, noise, good)
        lit, expected = tested.signal > 0, gain > 0
        failing |= good & (lit != expected)
        usable = good & lit & expected
        corrected = np.divide(
            tested.signal / np.float32(tested.median),
            gain,
            out=np.ones_like(gain),
            where=usable,
        )
        deviation = uniformity_deviation(corrected, limits)
        response = np.where(usable, gain, np.float32(1))
        pixel_limit = np.maximum(
            np.float32(limits.non_uniform),
            factor * _ratio_std(tested, others, noise, dark_frames, response),
        )
        failing |= (np.abs(deviation) > pixel_limit) & usable
        limit = min(limit, float(np.median(pixel_limit[usable])))
        typical = np.median(np.abs(deviation[usable]))
        spread = min(spread, float(1.4826 * typical))  # of a Gaussian: std = 1.4826·median
    return Uniformity(failing, limit, spread)


def _ratio_std(
    tested: Level,
    others: Sequence[Level],
    noise: NoiseModel,
    dark_frames: int,
    response: FloatImage,
) -> FloatImage:
    """Relative standard deviation of tested flat over gain, for pixels of that ``response``."""
    variance = relative_variance(noise, response * np.float32(tested.median), tested.frames)
    inverse = np.zeros_like(variance)
    for level in others:
        inverse += 1 / relative_variance(noise, response * np.float32(level.median), level.frames)
    variance += 1 / inverse
    weights = [1 / float(relative_variance(noise, one.median, one.frames)) for one in others]
    pull = sum(w / one.median for w, one in zip(weights, others, strict=True)) / sum(weights)
    shared = (1 / tested.median - pull) / response
    variance += np.float32(noise.offset / dark_frames) * shared**2
    return np.asarray(np.sqrt(variance), np.float32)
