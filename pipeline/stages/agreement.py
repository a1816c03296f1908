"""Whether two frames show the same metal where they are said to overlap: block by block."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from pipeline.calibration.product import NoiseModel
from pipeline.kernels.agreement import block_products
from pipeline.model import FloatArray
from pipeline.stages.views import BLUR_PX, REDUCE, View

_BLOCK_PX = 12  # of a view
_BLOCKS = 4  # along and across a patch
_PLAIN = 3.0  # structure that stands out: its variance over the noise's
_SHARED = 0.5  # of a block's structure that both pictures must have
_FEW_BLOCKS = 5
_SAME_METAL = 0.75  # of the blocks; true neighbours were found to have 0.97, others 0.5 at most
_OTHER_METAL = 0.6


@dataclass(frozen=True, slots=True)
class Agreement:
    """How many blocks hold structure that stands out from noise, in how many both show the same."""

    structured: int
    agreeing: int

    @property
    def share(self) -> float | None:
        """The agreeing part; None where too few blocks hold anything to judge by."""
        return None if self.structured < _FEW_BLOCKS else self.agreeing / self.structured

    @property
    def same(self) -> bool | None:
        """Whether it is the same metal; None when that can't be told."""
        share = self.share
        if share is None or _OTHER_METAL <= share < _SAME_METAL:
            return None
        return share >= _SAME_METAL


def judge(
    a: View,
    b: View,
    corners: np.ndarray,
    size: tuple[int, int],
    shifts: FloatArray,
    noise: NoiseModel,
    pattern: float = 0.0,
) -> Agreement:
    """Compare a's and b's structure in small blocks spread over patches.

    ``corners`` (patches, 2) are the patches' first (row, column) in a's view, ``size`` their rows
    and columns, ``shifts`` (patches, 2) where b shows each, relative to a; ``pattern`` the variance
    that the panel itself adds to both, which counts as noise.

    A block's structure is the mean of both variances less that of noise; it agrees when the
    covariance is at least half of that: 1 for the same metal however noisy, about 0 for different
    places. Blocks count alike, so that a lead figure or a gauge, which is the same wherever it
    lies, has no more say than the weld beside it.
    """
    inside = np.array([(r, c) for r in _spread(size[0]) for c in _spread(size[1])], dtype=np.int64)
    if len(inside) == 0 or len(corners) == 0:
        return Agreement(0, 0)
    at_a = (corners[:, np.newaxis] + inside).reshape(-1, 2)
    at_b = at_a + np.repeat(np.rint(shifts).astype(np.int64), len(inside), axis=0)
    var_a, both, var_b = block_products(a.texture, b.texture, at_a, at_b, _BLOCK_PX).T
    noise_part = (_noise_variance(a, at_a, noise) + _noise_variance(b, at_b, noise)) / 2 + pattern
    structure = (var_a + var_b) / 2 - noise_part
    plain = structure > _PLAIN * noise_part
    return Agreement(int(plain.sum()), int((plain & (both > _SHARED * structure)).sum()))


def _spread(length: int) -> list[int]:
    """Where at most _BLOCKS blocks begin, evenly over ``length`` pixels."""
    count, room = min(_BLOCKS, length // _BLOCK_PX), length - _BLOCK_PX
    if count <= 1:
        return [room // 2] * count
    return [round(k * room / (count - 1)) for k in range(count)]


def _noise_variance(view: View, at: np.ndarray, noise: NoiseModel) -> FloatArray:
    """The variance that noise leaves in the texture of blocks beginning at these places."""
    row, column = (at + _BLOCK_PX // 2).T
    return texture_noise(np.exp(view.logs[row, column].astype(np.float64)), noise) ** 2


def texture_noise(gray_value: FloatArray, noise: NoiseModel) -> FloatArray:
    """Standard deviation of a texture's noise where the frame shows ``gray_value``.

    Relative noise of a view's pixel, times what the smoothing leaves of it: a Gaussian of standard
    deviation σ px keeps 1/(4πσ²) of white noise's variance.
    """
    variance = noise.offset + noise.slope * gray_value + (noise.gain_relative * gray_value) ** 2
    variance = variance / REDUCE**2
    return np.asarray(np.sqrt(variance / (4 * math.pi)) / (BLUR_PX * gray_value))
