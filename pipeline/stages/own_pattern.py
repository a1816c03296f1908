"""What the panel itself shows in every frame: an imperfect gain correction, dust, worn pixels."""

from __future__ import annotations

import math

import numpy as np

from pipeline.kernels.agreement import block_products
from pipeline.model import FloatArray
from pipeline.stages.views import View

_BLOCK_PX = 12  # of a view
_CLEAR = 6.0  # standard errors: two frames of different metal reach that practically never
_AS_MUCH = 3.0  # so many times the panel's own pattern is more than that pattern


def pattern_variance(a: View, b: View) -> float:
    """The variance (of texture) that both views show at the same place of the panel.

    0 where that can't be told from chance. The two must show different metal there, so that only
    the panel is the same. Blocks all over the panel have one vote each, whatever their contrast, so
    that lead figures which happen to fall on the same place (a tape's numbers, a step apart) don't
    count for more than the little room they take; the means of a block's rows are taken out, so
    that edges along the weld don't count at all.
    """
    products = _at_same_place(a, b)
    correlation = products[:, 1] / np.sqrt(products[:, 0] * products[:, 2] + 1e-30)
    error = float(correlation.std()) / math.sqrt(max(len(correlation), 1))
    if len(correlation) < 2 or float(correlation.mean()) <= _CLEAR * error:
        return 0.0
    return max(float(np.median(products[:, 1])), 0.0)


def is_pattern(a: View, b: View, variance: float | None) -> bool:
    """Whether what two views have in common at the same place of the panel may be no more than the
    panel's own pattern of this ``variance`` (None: not known): then it tells nothing of the metal.
    """
    if variance is None or variance <= 0:
        return variance is None
    shared = float(np.median(_at_same_place(a, b)[:, 1]))
    return shared < _AS_MUCH * variance


def _at_same_place(a: View, b: View) -> FloatArray:
    """(blocks, 3): variance, covariance, variance in blocks all over the two views."""
    rows, columns = (length // _BLOCK_PX for length in a.texture.shape)
    corners = np.indices((rows, columns), dtype=np.int64).reshape(2, -1).T * _BLOCK_PX
    at = np.ascontiguousarray(corners)
    return block_products(a.texture, b.texture, at, at, _BLOCK_PX)
