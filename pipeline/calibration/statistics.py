"""Mean and variance of each pixel over many exposures, read one at a time."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import numpy as np

from pipeline.calibration.product import DarkConditions
from pipeline.errors import CalibrationError
from pipeline.kernels.moments import MAX_FRAMES, accumulate, plain_variance, robust_mean
from pipeline.model import FloatImage, RawImage

REJECT_FACTOR = 5.0
"""An extreme value this many standard deviations off the rest is left out: of Gaussian noise
less than one value in a million."""

QUANTISATION_STD_GV = 12**-0.5
"""Standard deviation of rounding to whole gray values: no frame is less noisy than that."""


class Exposures(Protocol):
    """Raw frames of one kind, all shot alike, that can be read in any order and more than once."""

    @property
    def frames(self) -> int:
        """How many frames there are."""
        ...

    @property
    def dose(self) -> float | None:
        """Relative dose of each frame (such as mA·s); None for dark frames or where unknown."""
        ...

    @property
    def source_distance_mm(self) -> float | None:
        """From the focal spot to the panel; None for dark frames or where it isn't told."""
        ...

    @property
    def conditions(self) -> DarkConditions:
        """Temperature and frame time, where they are told."""
        ...

    def name(self, index: int) -> str:
        """How messages call frame ``index``."""
        ...

    def read(self, index: int, out: RawImage) -> None:
        """Write frame ``index`` into ``out``, uint16 (rows, columns)."""
        ...


@dataclass(frozen=True, slots=True)
class PixelStatistics:
    """Robust mean (GV) and variance of one frame (GV²) of each pixel, float32 (rows, columns).

    ``rejected`` values were left out as outliers. With one frame the variance is 0.
    """

    mean: FloatImage
    variance: FloatImage
    frames: int
    rejected: int


class FrameStatistics:
    """Running statistics of frames of one size: 16 bytes a pixel, however many frames.

    The estimator is the mean without outlying extremes (``kernels.moments.robust_mean``): at
    most the greatest and the least value of a pixel are left out, each only if it lies more than
    ``REJECT_FACTOR`` standard deviations from the rest. A particle's spike in one frame goes;
    without outliers the result is the plain mean with its full efficiency.
    """

    def __init__(self, rows: int, columns: int) -> None:
        self.frames = 0
        self._total = np.zeros((rows, columns), np.uint32)
        self._squares = np.zeros((rows, columns), np.uint64)
        self._low = np.full((rows, columns), 65535, np.uint16)
        self._high = np.zeros((rows, columns), np.uint16)

    def add(self, frame: RawImage) -> None:
        """Take in one raw frame.

        Raises:
            CalibrationError: there are more frames than the exact sums can hold.
        """
        if self.frames == MAX_FRAMES:
            raise CalibrationError(
                "too many exposures of one kind",
                expected=f"at most {MAX_FRAMES}",
                remedy="Leave some out",
            )
        accumulate(frame, self._total, self._squares, self._low, self._high)
        self.frames += 1

    def merge(self, other: FrameStatistics) -> None:
        """Take in all that ``other`` has seen."""
        self._total += other._total
        self._squares += other._squares
        np.minimum(self._low, other._low, out=self._low)
        np.maximum(self._high, other._high, out=self._high)
        self.frames += other.frames

    def result(self) -> PixelStatistics:
        """Statistics of the frames so far; needs at least one.

        The standard deviation below which no pixel's own scatter is believed, when extremes are
        judged, is the panel's median: with few frames a pixel's values can agree by chance.
        """
        variance = np.empty(self._total.shape, np.float32)
        plain_variance(self._total, self._squares, self.frames, variance)
        least_std = max(float(np.sqrt(np.median(variance))), QUANTISATION_STD_GV)
        mean = np.empty_like(variance)
        rejected = robust_mean(
            self._total,
            self._squares,
            self._low,
            self._high,
            self.frames,
            least_std,
            REJECT_FACTOR,
            mean,
            variance,
        )
        return PixelStatistics(mean, variance, self.frames, int(rejected))
