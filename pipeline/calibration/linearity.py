"""How each pixel's response bends with dose, from flats at several doses.

A pixel that shows ``v`` (signal over gain, GV) has been given the exposure

    E = v · (1 + c · (v − v₀))

with its own curvature ``c`` (1/GV); v₀, ``reference_gv``, is where the gain was measured. The
exposures of the levels are known from the panel's median. With the gain g that the levels make
together, the quotient of exposure and s/g is, for a pixel whose true gain is g/r, the straight line

    r · (1 + c · (r·s/g − v₀))

in s/g. That line is fitted to each pixel, weighted with the levels' noise; r and c follow from it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from pipeline.calibration.dose_line import shared_distances
from pipeline.calibration.levels import Level, several_doses
from pipeline.calibration.noise import relative_variance
from pipeline.calibration.product import NoiseModel
from pipeline.errors import CalibrationError
from pipeline.model import FloatArray, FloatImage

Mode = Literal["off", "pixel", "dose"]

STRONGEST = 0.2
"""No response is bent back by more than this part of itself over the range of the flats."""

_GAUSS = 1.4826  # median absolute deviation → standard deviation


@dataclass(frozen=True, slots=True)
class Curvature:
    """``image``: c of every pixel (float32, 1/GV), 0 at bad ones; ``reference_gv``: v₀;
    ``gain``: the response there, which differs from the one given in the second order only.

    ``measured_std`` and ``noise_std`` are the scatter of c over good pixels as it was found, and
    as noise alone would make it (1/GV): pixels are corrected by the part that is not noise.
    ``panel`` is the panel's common curvature (1/GV), 0 unless doses were taken as the truth.
    """

    image: FloatImage
    gain: FloatImage
    reference_gv: float
    panel: float
    measured_std: float
    noise_std: float


def measure_curvature(
    levels: Sequence[Level],
    noise: NoiseModel,
    dark_frames: int,
    gain: FloatImage,
    good: NDArray[np.bool_],
    *,
    mode: Mode,
) -> Curvature:
    """Each pixel's curvature from two or more levels of flats.

    With ``mode`` "pixel" the panel's median response is the norm: pixels are made alike at all
    doses. With "dose" (three levels) the panel's own bend against the doses told is taken out too.

    What is found, of each column and then of each pixel, is shrunk by the share of its scatter
    that is noise (τ²/(τ² + σ²)): so the correction never adds more noise than it removes, and of
    a panel whose pixels are alike nothing is changed.

    Raises:
        CalibrationError: the levels lie too close together, or are too few (with "dose", from one
            distance).
    """
    if len(levels) < (3 if mode == "dose" else 2) or not several_doses(levels):
        raise CalibrationError(
            f"{len(levels)} dose levels, from {levels[0].median:.0f} to "
            f"{levels[-1].median:.0f} GV, are not enough to measure linearity",
            where="gain.linearity",
            expected="three levels for the panel's, two for the pixels', over a factor of 1.5",
            remedy="Shoot flats at more doses, or set gain.linearity to off",
        )
    median = np.array([float(np.median(level.signal[good])) for level in levels])
    weight = np.array(
        [1 / float(relative_variance(noise, level.median, level.frames)) for level in levels]
    )
    reference = float(np.sum(weight * median) / np.sum(weight))
    weight /= weight.sum()
    away = median - reference
    panel = _panel_curvature(levels, median, away) if mode == "dose" else 0.0
    usable = good & (gain > 0)
    for level in levels:
        usable &= level.signal > 0
    exposure = median * (1 + panel * away)
    middle, slope = _lines(levels, exposure, weight, np.where(usable, gain, 1), reference)

    noise_std = _noise_std(levels, noise, dark_frames, median, away)
    common = float(np.median(slope[usable]))
    slope = slope - common
    measured_std = _scatter(slope[usable])
    # What a column has in common is known far better than a pixel, and often real: amplifiers.
    column = _column_medians(slope, usable)
    pixel = slope - column
    column_noise = 1.25 * noise_std / np.sqrt(np.maximum(usable.sum(axis=0), 1)).mean()
    kept = panel + _real_share(_scatter(column), column_noise) * column
    kept = kept + _real_share(_scatter(pixel[usable]), noise_std) * pixel
    limit = STRONGEST / float(np.abs(away).max())
    kept = np.clip(kept, -limit, limit)
    bend = kept * reference
    ratio = (middle - bend + np.sqrt((middle - bend) ** 2 + 4 * bend)) / 2
    ratio[~usable] = 1
    image = np.where(usable, kept / ratio**2, 0).astype(np.float32)
    straight: FloatImage = (gain / ratio).astype(np.float32)
    return Curvature(image, straight, reference, panel, measured_std, noise_std)


def _scatter(values: NDArray[np.floating[Any]]) -> float:
    """Standard deviation about 0 that outliers don't move."""
    return _GAUSS * float(np.median(np.abs(values)))


def _real_share(found_std: float, noise_std: float) -> float:
    """Which part of a scatter's variance is not noise."""
    return max(1 - (noise_std / found_std) ** 2, 0.0) if found_std > 0 else 0.0


def _column_medians(values: FloatImage, usable: NDArray[np.bool_]) -> FloatImage:
    """The median of each column over usable pixels, 0 where there is none; (columns,)."""
    known = np.where(usable, values, np.nan)
    known[:, ~usable.any(axis=0)] = 0
    return np.asarray(np.nanmedian(known, axis=0), np.float32)


def _lines(
    levels: Sequence[Level],
    exposure: FloatArray,
    weight: FloatArray,
    gain: FloatImage,
    reference: float,
) -> tuple[FloatImage, FloatImage]:
    """Each pixel's line of exposure over response: its value at ``reference`` and slope (1/GV)."""
    x_sum, x_square, y_sum, product = (np.zeros_like(gain) for _ in range(4))
    for level, given, share in zip(levels, exposure, weight, strict=True):
        response = np.maximum(level.signal / gain, np.float32(1))
        x = response / np.float32(reference) - 1
        y = np.float32(given) / response - 1  # small numbers keep float32's digits
        x_sum += np.float32(share) * x
        x_square += np.float32(share) * x * x
        y_sum += np.float32(share) * y
        product += np.float32(share) * x * y
    spread = np.maximum(x_square - x_sum**2, np.float32(1e-9))
    slope = (product - x_sum * y_sum) / spread
    middle = 1 + y_sum - slope * x_sum
    return middle, slope / np.float32(reference)


def _noise_std(
    levels: Sequence[Level],
    noise: NoiseModel,
    dark_frames: int,
    median: FloatArray,
    away: FloatArray,
) -> float:
    """Standard deviation of c that noise alone makes, for a pixel of median response (1/GV)."""
    weight = np.array(
        [1 / float(relative_variance(noise, level.median, level.frames)) for level in levels]
    )
    leverage = float(np.sum(weight * away**2))
    # The dark's noise is shared by all levels and weighs most in the dimmest.
    shared = float(np.sum(weight * away / median)) / leverage
    return float(np.sqrt(1 / leverage + noise.offset / dark_frames * shared**2))


def _panel_curvature(levels: Sequence[Level], median: FloatArray, away: FloatArray) -> float:
    """The c that makes the panel's median proportional to the doses told.

    median · (1 + c · x) = a · dose with one a for each distance (see ``dose_line.py``), by least
    squares relative to the median. Doses are trusted alike, however bright the level.
    """
    shared = shared_distances(levels)
    if sum(int(members.sum()) - 1 for members in shared) < 2:
        raise CalibrationError(
            "the levels are spread over too many distances to measure the panel's linearity",
            where="gain.linearity",
            expected="three levels from one distance, or two from each of two",
            remedy="Shoot flats at more doses from one distance, or set gain.linearity to pixel",
        )
    dose = np.array([level.dose for level in levels], dtype=np.float64)
    judged = np.any(shared, axis=0)
    columns = [*(np.where(members, dose / median, 0.0) for members in shared), -away]
    terms = np.stack(columns, axis=1)[judged]
    found, *_ = np.linalg.lstsq(terms, np.ones(len(terms)), rcond=None)
    return float(found[-1])
