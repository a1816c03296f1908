"""What the noise of two pictures foretells of a shift between them, and where that shift holds."""

from __future__ import annotations

import numba as nb
import numpy as np

from pipeline.kernels.shift_sums import BORDER

_f32 = np.float32
_MOST_REACH = 12  # pixels over which smoothed noise is taken to be tied together, each way


@nb.njit(nogil=True, cache=True, fastmath={"reassoc", "nsz"})
def foreseen_spread(a, row0, column0, b, blur):  # type: ignore[no-untyped-def]
    """The right side's covariance (rr, rc, cc) for noise of unit variance, smoothed by ``blur`` px.

    Such noise is tied together by C(r) = e^(−r²/4σ²), so what the gradients g make of it has the
    covariance Σ g (C * g), and C * g is the gradient of C * picture. One picture's gradients are
    multiplied by the other's, so that their own noise drops out. The patch is ``a[row0:,
    column0:]``; ``b``, its partner, has a border of BORDER pixels, ``a`` one of 4 σ and one more.
    """
    height, width = b.shape[0] - 2 * BORDER, b.shape[1] - 2 * BORDER
    half = min(int(np.ceil(4 * blur)), _MOST_REACH)
    ties = np.exp(-(np.arange(half + 1) ** 2) / max(4.0 * blur * blur, 1e-6)).astype(np.float32)
    along = np.empty((height + 2 + 2 * half, width + 2), dtype=np.float32)
    for i in range(along.shape[0]):
        line = a[row0 - 1 - half + i, column0 - 1 - half : column0 + width + 1 + half]
        out = along[i]
        for j in range(width + 2):
            out[j] = line[j + half]
        for k in range(1, half + 1):
            tie, before, after = ties[k], line[half - k :], line[half + k :]
            for j in range(width + 2):
                out[j] += tie * (before[j] + after[j])
    smooth = np.empty((height + 2, width + 2), dtype=np.float32)
    for i in range(height + 2):
        out, middle = smooth[i], along[i + half]
        for j in range(width + 2):
            out[j] = middle[j]
        for k in range(1, half + 1):
            tie, above, below = ties[k], along[i + half - k], along[i + half + k]
            for j in range(width + 2):
                out[j] += tie * (above[j] + below[j])
    rr, rc, cc = np.float64(0), np.float64(0), np.float64(0)
    for i in range(height):
        up, at, low = smooth[i], smooth[i + 1], smooth[i + 2]
        upb, atb, lowb = b[i + BORDER - 1], b[i + BORDER], b[i + BORDER + 1]
        sum_rr, sum_rc, sum_cc = _f32(0), _f32(0), _f32(0)
        for j in range(width):
            p = np.uintp(j)
            down = low[p + np.uintp(1)] - up[p + np.uintp(1)]
            across = at[p + np.uintp(2)] - at[p]
            q = np.uintp(j + BORDER)
            down_b = lowb[q] - upb[q]
            across_b = atb[q + np.uintp(1)] - atb[q - np.uintp(1)]
            sum_rr += down * down_b
            sum_rc += down * across_b + across * down_b
            sum_cc += across * across_b
        rr += np.float64(sum_rr)
        rc += 0.5 * np.float64(sum_rc)
        cc += np.float64(sum_cc)
    return 0.25 * rr, 0.25 * rc, 0.25 * cc


@nb.njit(nogil=True, cache=True, fastmath={"reassoc", "nsz"})
def middle_of_told(a, row0, column0, b):  # type: ignore[no-untyped-def]
    """(row, column) of the patch, from its first pixel, about which what tells the shift along the
    columns lies evenly; never outside the patch. Arguments as in `foreseen_spread`."""
    height, width = b.shape[0] - 2 * BORDER, b.shape[1] - 2 * BORDER
    whole, down, across = np.float64(0), np.float64(0), np.float64(0)
    for i in range(height):
        line_a, line_b = a[row0 + i], b[i + BORDER]
        row, turned = _f32(0), _f32(0)
        for j in range(width):
            q, p = np.uintp(column0 + j), np.uintp(j + BORDER)
            told = (line_a[q + np.uintp(1)] - line_a[q - np.uintp(1)]) * (
                line_b[p + np.uintp(1)] - line_b[p - np.uintp(1)]
            )
            row += told
            turned += told * _f32(np.int32(j))
        whole += np.float64(row)
        down += np.float64(row) * i
        across += np.float64(turned)
    if whole <= 0:
        return 0.5 * (height - 1), 0.5 * (width - 1)
    return min(max(down / whole, 0.0), height - 1.0), min(max(across / whole, 0.0), width - 1.0)
