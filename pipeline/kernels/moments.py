"""Per-pixel sums over many frames, exact in integers, with the extremes kept for rejection."""

from __future__ import annotations

import numba
import numpy as np
from numpy.typing import NDArray

from pipeline.model import FloatImage, RawImage

MAX_FRAMES = 32_768
"""So many full-scale uint16 frames fit the sums: n·65535 < 2³² and n·Σx² < 2⁶³."""


@numba.njit(nogil=True, cache=True)  # type: ignore[untyped-decorator]
def accumulate(
    frame: RawImage,
    total: NDArray[np.uint32],
    squares: NDArray[np.uint64],
    low: RawImage,
    high: RawImage,
) -> None:
    """Add one raw frame to the running sum, sum of squares, least and greatest value.

    All (rows, columns). ``low`` starts at 65535, the others at 0. Exact for up to ``MAX_FRAMES``.
    """
    for row in range(frame.shape[0]):
        for column in range(frame.shape[1]):
            value = frame[row, column]
            total[row, column] += np.uint32(value)
            squares[row, column] += np.uint64(value) * np.uint64(value)
            low[row, column] = min(low[row, column], value)
            high[row, column] = max(high[row, column], value)


@numba.njit(nogil=True, cache=True)  # type: ignore[untyped-decorator]
def plain_variance(
    total: NDArray[np.uint32], squares: NDArray[np.uint64], count: int, variance: FloatImage
) -> None:
    """Write the unbiased variance over ``count`` frames (GV²; 0 for one frame)."""
    for row in range(total.shape[0]):
        for column in range(total.shape[1]):
            s = np.int64(total[row, column])
            q = np.int64(squares[row, column])
            spread = np.float64(count * q - s * s)
            variance[row, column] = spread / (count * max(count - 1, 1))


@numba.njit(nogil=True, cache=True)  # type: ignore[untyped-decorator]
def robust_mean(
    total: NDArray[np.uint32],
    squares: NDArray[np.uint64],
    low: RawImage,
    high: RawImage,
    count: int,
    least_std: float,
    factor: float,
    mean: FloatImage,
    variance: FloatImage,
) -> int:
    """Write mean and variance without outlying extremes; return how many values were left out.

    Of each pixel's values the one farther from the mean (least or greatest) is left out when it
    lies more than ``factor`` standard deviations from the mean of the rest; then the other
    extreme is judged the same way. The standard deviation is that of the rest, but at least
    ``least_std`` (GV). So at most one value is lost at either end, and with Gaussian noise
    almost none: the estimate keeps the plain mean's efficiency. With fewer than three values
    there is no rest to judge by, and nothing is left out.
    """
    rejected = 0
    for row in range(total.shape[0]):
        for column in range(total.shape[1]):
            n = np.int64(count)
            s = np.int64(total[row, column])
            q = np.int64(squares[row, column])
            least = np.int64(low[row, column])
            greatest = np.int64(high[row, column])
            for _ in range(2):
                if n < 3:
                    break
                extreme = greatest if greatest * n - s >= s - least * n else least
                rest_s = s - extreme
                rest_q = q - extreme * extreme
                m = n - 1
                rest_variance = np.float64(m * rest_q - rest_s * rest_s) / np.float64(m * (m - 1))
                std = max(np.sqrt(rest_variance), np.float64(least_std))
                if np.abs(extreme - rest_s / m) <= factor * std:
                    break
                n, s, q = m, rest_s, rest_q
                rejected += 1
                # The same end is not judged twice: its next value is not known.
                if extreme == greatest:
                    greatest = np.int64(s // n)
                else:
                    least = np.int64(s // n)
            mean[row, column] = s / n
            # One frame: 0 / 1, no scatter.
            variance[row, column] = np.float64(n * q - s * s) / np.float64(n * n - n + (n == 1))
    return rejected
