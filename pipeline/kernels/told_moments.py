"""Where in a patch what tells its shift lies: a shift that varies over it is a mean by that."""

from __future__ import annotations

import numba as nb
import numpy as np

from pipeline.model import FloatArray, FloatImage

_f32 = np.float32


@nb.njit(nogil=True, cache=True, fastmath={"reassoc", "nsz"})
def _sums(a, b, row0, column0, down, across, height, width, out):  # type: ignore[no-untyped-def]
    """``out`` (2, 6): sums of 1, i, j, i², i·j, j² over the patch, by what tells the shift down and
    across: the two pictures' gradients, multiplied so that their own noise drops out."""
    one = np.uintp(1)
    for i in range(height):
        up_a, at_a, low_a = a[row0 + i - 1], a[row0 + i], a[row0 + i + 1]
        r = row0 + i + down
        up_b, at_b, low_b = b[r - 1], b[r], b[r + 1]
        d0, d1, d2 = _f32(0), _f32(0), _f32(0)
        a0, a1, a2 = _f32(0), _f32(0), _f32(0)
        for j in range(width):
            q, p = np.uintp(column0 + j), np.uintp(column0 + across + j)
            x = _f32(np.int32(j))
            told = (low_a[q] - up_a[q]) * (low_b[p] - up_b[p])
            d0 += told
            told *= x
            d1 += told
            d2 += told * x
            told = (at_a[q + one] - at_a[q - one]) * (at_b[p + one] - at_b[p - one])
            a0 += told
            told *= x
            a1 += told
            a2 += told * x
        y = np.float64(i)
        for k in range(2):
            none, first, second = (d0, d1, d2) if k == 0 else (a0, a1, a2)
            out[k, 0] += none
            out[k, 1] += y * none
            out[k, 2] += first
            out[k, 3] += y * y * none
            out[k, 4] += y * first
            out[k, 5] += second


def told_moments(
    a: FloatImage,
    b: FloatImage,
    window: tuple[int, int, int, int],
    shift: tuple[float, float],
    at: tuple[float, float],
) -> FloatArray:
    """(2, 5): means of y, x, y², x·y, x², px down and across from ``at``, by what tells the shift
    of ``a`` in ``window`` against ``b``: first that down, then that across.

    ``window``: (first row, first column, rows, columns) in ``a``; ``shift`` (rows, columns) to its
    nearest pixel; both pictures reach a pixel further. Where nothing tells it, by no weights: 0.
    """
    row0, column0, height, width = window
    sums = np.zeros((2, 6))
    _sums(a, b, row0, column0, round(shift[0]), round(shift[1]), height, width, sums)
    found = np.zeros((2, 5))
    for k, (whole, *rest) in enumerate(sums):
        if whole <= 0:
            continue
        # Noise can make weights negative; what no weights could give is cut off.
        y, x = (
            min(max(m / whole, 0.0), n - 1.0) for m, n in zip(rest, (height, width), strict=False)
        )
        yy = min(max(rest[2] / whole - y * y, 0.0), (height - 1.0 - y) * y)
        xx = min(max(rest[4] / whole - x * x, 0.0), (width - 1.0 - x) * x)
        most = float(np.sqrt(yy * xx))
        xy = min(max(rest[3] / whole - x * y, -most), most)
        y, x = y + row0 - at[0], x + column0 - at[1]
        found[k] = y, x, yy + y * y, xy + x * y, xx + x * x
    return found
