"""The flats of a panel by dose level: mean signal, and the gain they make together."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.calibration.noise import relative_variance
from pipeline.calibration.product import NoiseModel
from pipeline.errors import CalibrationError
from pipeline.model import FloatImage

CLIPPED_STD = 3.0
MAX_CLIPPED_FRACTION = 0.01
MIN_SIGNAL_STD = 20.0
"""A mean flat dimmer than this many standard deviations of its own noise says too little about a
pixel's response: the 0.6 and 1.3 limits would lie within its noise."""

SEVERAL_DOSES_RATIO = 1.5


@dataclass(frozen=True, slots=True)
class Level:
    """All flats of one dose: mean minus dark (float32, GV), and its median over the panel.

    ``dose`` is what reaches the panel; ``distance_mm`` how far the focal spot was, where told.
    """

    dose: float | None
    frames: int
    signal: FloatImage
    median: float
    distance_mm: float | None = None

    @property
    def where(self) -> str:
        """How messages name this level."""
        name = "flats" if self.dose is None else f"flats at dose {self.dose:g}"
        return name if self.distance_mm is None else f"{name} from {self.distance_mm:g} mm"


def make_level(
    dose: float | None,
    frames: int,
    mean: FloatImage,
    dark: FloatImage,
    distance_mm: float | None = None,
) -> Level:
    """A level from its mean raw flat and the mean dark.

    Raises:
        CalibrationError: over the panel's median the darks are as bright as these flats.
    """
    signal = mean - dark
    level = Level(dose, frames, signal, float(np.median(signal)), distance_mm)
    if level.median <= 0:
        raise CalibrationError(
            f"the darks (median {np.median(dark):.0f} GV) are as bright as the flats or brighter "
            f"({np.median(mean):.0f} GV)",
            where=level.where,
            expected="flats brighter than darks",
            remedy="Check that dark and flat folders aren't exchanged and that the beam was on",
        )
    return level


def clipped_pixels(
    mean: FloatImage, variance: FloatImage, saturation_gv: float, where: str
) -> NDArray[np.bool_]:
    """Pixels whose noise reaches up to saturation (mean + 3 standard deviations), so that some
    of it may be cut off; bool (rows, columns).

    Raises:
        CalibrationError: more than 1 % of the panel is clipped.
    """
    clipped = mean + CLIPPED_STD * np.sqrt(variance) >= saturation_gv
    fraction = float(np.mean(clipped))
    if fraction > MAX_CLIPPED_FRACTION:
        raise CalibrationError(
            f"the flats are saturated: {100 * fraction:.1f} % of the pixels reach "
            f"{saturation_gv:g} GV",
            where=where,
            expected=f"at most {100 * MAX_CLIPPED_FRACTION:g} %",
            remedy="Shoot them again with less dose, or leave this level out",
        )
    return np.asarray(clipped)


def require_bright(level: Level, noise: NoiseModel) -> None:
    """Refuse a level whose mean flat is hardly more than noise.

    Raises:
        CalibrationError: it is less than 20 standard deviations.
    """
    snr = float(relative_variance(noise, level.median, level.frames) ** -0.5)
    if snr < MIN_SIGNAL_STD:
        raise CalibrationError(
            f"the flats are too dark: {level.median:.1f} GV above the darks, "
            f"{snr:.1f} times the noise of their mean",
            where=level.where,
            expected=f"at least {MIN_SIGNAL_STD:g} times",
            remedy="Shoot them again with more dose or more frames",
        )


def several_doses(levels: Sequence[Level]) -> bool:
    """Whether the levels lie far enough apart to tell a pixel that answers from a constant one."""
    return levels[-1].median >= SEVERAL_DOSES_RATIO * levels[0].median


def combine(
    levels: Sequence[Level], noise: NoiseModel, good: NDArray[np.bool_]
) -> tuple[FloatImage, float]:
    """Relative response with median 1 over ``good`` pixels, and its relative noise.

    Each level is divided by its median over good pixels and weighted by the inverse of its noise
    variance there; the result's relative standard deviation is that of the weighted mean for a
    pixel of median response, dark noise not included.
    """
    variances = [float(relative_variance(noise, level.median, level.frames)) for level in levels]
    weights = [1 / variance for variance in variances]
    total = sum(weights)
    gain = np.zeros_like(levels[0].signal)
    for level, weight in zip(levels, weights, strict=True):
        gain += level.signal * np.float32(weight / total / np.median(level.signal[good]))
    gain /= np.median(gain[good])
    return gain, float(total**-0.5)
