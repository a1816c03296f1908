"""How two pictures go together in many small blocks, whatever is the same all along a row."""

from __future__ import annotations

import numba as nb
import numpy as np

from pipeline.model import FloatArray, FloatImage


@nb.njit(nogil=True, cache=True)
def _products(a, b, at_a, at_b, size, out):  # type: ignore[no-untyped-def]
    """The loop of `block_products`."""
    for k in range(len(at_a)):
        aa = np.float64(0)
        ab = np.float64(0)
        bb = np.float64(0)
        for i in range(size):
            line_a = a[at_a[k, 0] + i, at_a[k, 1] : at_a[k, 1] + size]
            line_b = b[at_b[k, 0] + i, at_b[k, 1] : at_b[k, 1] + size]
            sum_a = np.float64(0)
            sum_b = np.float64(0)
            for j in range(size):
                sum_a += line_a[j]
                sum_b += line_b[j]
                aa += line_a[j] * line_a[j]
                ab += line_a[j] * line_b[j]
                bb += line_b[j] * line_b[j]
            aa -= sum_a * sum_a / size
            ab -= sum_a * sum_b / size
            bb -= sum_b * sum_b / size
        out[k, 0] = aa / (size * size)
        out[k, 1] = ab / (size * size)
        out[k, 2] = bb / (size * size)


def block_products(
    a: FloatImage, b: FloatImage, at_a: np.ndarray, at_b: np.ndarray, size: int
) -> FloatArray:
    """(blocks, 3): variance of each block of ``a``, covariance with its partner, ``b``'s variance.

    ``at_a`` and ``at_b`` (blocks, 2), integers, are the first (row, column) of the square blocks of
    ``size`` pixels, which must lie inside their pictures. In every row of a block the mean is taken
    out first, so that an edge along the rows, which looks the same at every column, doesn't count.

    Raises:
        IndexError: a block leaves its picture.
    """
    for picture, at in ((a, at_a), (b, at_b)):
        if len(at) and (at.min() < 0 or (at.max(axis=0) + size > picture.shape).any()):
            raise IndexError("a block leaves its picture")
    out = np.empty((len(at_a), 3))
    _products(a, b, at_a, at_b, size, out)
    return out
