"""The median of what is known, of many rows at once."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.model import FloatArray


def known_medians(values: NDArray[Any], least: NDArray[np.int64] | int = 1) -> FloatArray:
    """The median over the last axis of all that isn't NaN; NaN where fewer than ``least`` are.

    The same as ``nanmedian``, which goes row by row.
    """
    ordered = np.sort(values, axis=-1)  # NaN comes last
    number = np.count_nonzero(~np.isnan(ordered), axis=-1)[..., np.newaxis]
    low = np.take_along_axis(ordered, np.maximum(number - 1, 0) // 2, axis=-1)
    high = np.take_along_axis(ordered, np.minimum(number // 2, values.shape[-1] - 1), axis=-1)
    middle = ((low.astype(np.float64) + high) / 2)[..., 0]
    return np.asarray(np.where(number[..., 0] >= least, middle, np.nan))
