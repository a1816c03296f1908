"""Whether a raw frame shows the fine pattern of the panel that it is said to come from.

No two panels have pixels of the same response. What differs from pixel to pixel in a raw frame is
that pattern, noise and fine texture of the metal; only the pattern is also in the gain of the
panel's calibration.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.model import FlagImage, FloatArray, FloatImage, RawImage

_BLOCK_PX = 32
_FINE_PX = 5
_CLIP = 4.0  # standard deviations: edges and bad pixels count for no more
_CLEAR = 8.0  # standard errors
_FLAT = 1e-3  # a gain that varies by less from pixel to pixel was made by the panel itself
_FEWEST_BLOCKS = 16

Bools = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class PatternMatch:
    """``correlation`` of frame and panel from pixel to pixel, the mean over blocks of the panel,
    and how many standard errors it stands above 0; ``told`` is False where the panel's gain has no
    pattern, or the frame too little that isn't saturated, so that nothing can be said."""

    correlation: float
    sigmas: float
    told: bool

    @property
    def belongs(self) -> bool:
        """Whether the panel's pattern is in the frame; strangers don't reach that."""
        return self.told and self.sigmas > _CLEAR


def panel_pattern(gain: FloatImage) -> FloatImage:
    """What differs from pixel to pixel in a gain (relative response, > 0), as logarithms."""
    return _fine(np.log(np.maximum(gain, 1e-3)).astype(np.float32))


def match_pattern(
    raw: RawImage,
    dark: FloatImage,
    pattern: FloatImage,
    classes: FlagImage,
    *,
    saturation_gv: int,
) -> PatternMatch:
    """How much of a panel's pattern is in a raw frame; all of one size.

    ``classes`` are the panel's bad pixels (0 is good), which take no part.
    """
    signal = raw.astype(np.float32) - dark
    good = (classes == 0) & (raw < saturation_gv) & (signal > 0)
    shown = _fine(np.log(np.maximum(signal, 1.0)))
    if float(np.std(pattern[classes == 0])) < _FLAT:
        return PatternMatch(0.0, 0.0, told=False)
    values = _block_correlations(shown, pattern, good)
    if len(values) < _FEWEST_BLOCKS:
        return PatternMatch(0.0, 0.0, told=False)
    error = max(float(values.std()) / math.sqrt(len(values)), 1e-9)
    mean = float(values.mean())
    return PatternMatch(mean, mean / error, told=True)


def _fine(logs: FloatImage) -> FloatImage:
    """Less the mean of the neighbourhood, strong values cut."""
    around = cv2.blur(logs, (_FINE_PX, _FINE_PX))
    fine = logs - around
    spread = 1.4826 * float(np.median(np.abs(fine))) + 1e-9
    return np.asarray(np.clip(fine, -_CLIP * spread, _CLIP * spread), dtype=np.float32)


def _block_correlations(one: FloatImage, other: FloatImage, good: Bools) -> FloatArray:
    """The correlation in each block of which most pixels are good."""
    rows, columns = (length // _BLOCK_PX for length in one.shape)
    shape = (rows, _BLOCK_PX, columns, _BLOCK_PX)

    def blocks(image: FloatImage | Bools) -> FloatArray:
        cut = np.asarray(image[: rows * _BLOCK_PX, : columns * _BLOCK_PX], dtype=np.float64)
        return cut.reshape(shape).transpose(0, 2, 1, 3).reshape(rows * columns, -1)

    known = blocks(good)
    count = np.maximum(known.sum(axis=1, keepdims=True), 1)

    def centred(image: FloatImage) -> FloatArray:
        cut = blocks(image) * known
        return np.asarray((cut - cut.sum(axis=1, keepdims=True) / count) * known)

    a, b = centred(one), centred(other)
    sizes = np.sqrt((a * a).sum(axis=1) * (b * b).sum(axis=1))
    enough = (known.mean(axis=1) > 0.5) & (sizes > 0)
    return np.asarray((a * b).sum(axis=1)[enough] / sizes[enough])
