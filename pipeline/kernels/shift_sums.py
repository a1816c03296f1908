"""The sums over a patch that a step of the least squares for its shift takes."""

from __future__ import annotations

import numba as nb
import numpy as np

from pipeline.kernels.interpolation import taps

BORDER = 2  # pixels that a patch's shifted partner has about it
_CLUSTER = 16  # pixels; well beyond the correlation length of the smoothed noise
_f32 = np.float32


@nb.njit(nogil=True, cache=True)
def shifted(picture, row0, column0, down, across, out):  # type: ignore[no-untyped-def]
    """``out[i, j]`` = picture at (row0 + i + down, column0 + j + across), six-point Lagrange."""
    whole_down, whole_across = np.floor(down), np.floor(across)
    r0 = row0 + np.int64(whole_down)
    c0 = column0 + np.int64(whole_across)
    v0, v1, v2, v3, v4, v5 = taps(_f32(down - whole_down))
    h0, h1, h2, h3, h4, h5 = taps(_f32(across - whole_across))
    height, width = out.shape
    between = np.empty((height + 5, width), dtype=np.float32)
    for i in range(height + 5):
        line = picture[r0 + i - 2, c0 - 2 : c0 + width + 3]
        row = between[i]
        for j in range(width):
            row[j] = (
                h0 * line[j]
                + h1 * line[j + 1]
                + h2 * line[j + 2]
                + h3 * line[j + 3]
                + h4 * line[j + 4]
                + h5 * line[j + 5]
            )
    for i in range(height):
        for j in range(width):
            out[i, j] = (
                v0 * between[i, j]
                + v1 * between[i + 1, j]
                + v2 * between[i + 2, j]
                + v3 * between[i + 3, j]
                + v4 * between[i + 4, j]
                + v5 * between[i + 5, j]
            )


@nb.njit(inline="always")
def bent(factors, y, x):  # type: ignore[no-untyped-def]
    """By what a shift differs at (y, x) from the middle: ``factors`` of y, x, y², x·y, x²."""
    return (factors[0] + factors[2] * y + factors[3] * x) * y + (factors[1] + factors[4] * x) * x


# Without Python's check for division by zero, and with sums in any order, the loop is vectorised.
@nb.njit(nogil=True, cache=True, error_model="numpy", fastmath={"reassoc", "nsz"})
def normal_equations(a, row0, column0, b, clip, bend):  # type: ignore[no-untyped-def]
    """Sums over the patch ``a[row0:, column0:]`` against its shifted partner ``b``.

    Returns the cross-gradient matrix (rr, rc, cc: its noise part has mean zero, because the two
    pictures' noises are independent), the mean-gradient matrix, the right side, the clusters'
    outer products, the sum of squared clipped residuals, and in how many clusters what tells the
    shift along the columns effectively lies. ``b`` has a border of BORDER pixels. ``bend`` (2, 5)
    as in `refine_shift`: what the shift varies by is taken into account with the mean gradient, in
    this from five points, as what it falls short by would tilt the answer. A factor of contrast is
    solved with the shift and eliminated.
    """
    height, width = b.shape[0] - 2 * BORDER, b.shape[1] - 2 * BORDER
    cross = np.zeros(3)
    mean = np.zeros(3)
    right = np.zeros(2)
    spread = np.zeros(3)
    contrast = np.zeros(4)  # its products with the gradients, itself and the residual
    coupled = np.zeros(3)  # the clusters' outer products with it
    squares = np.float64(0)
    told = np.float64(0)
    down_xx, across_xx = _f32(bend[0, 4]), _f32(bend[1, 4])
    one, two = np.uintp(1), np.uintp(2)
    mid_i, mid_j = 0.5 * (height - 1), 0.5 * (width - 1)
    for top in range(0, height, _CLUSTER):
        for left in range(0, width, _CLUSTER):
            count, first = min(_CLUSTER, width - left), column0 + left
            down = _f32(0)
            across = _f32(0)
            rr = _f32(0)
            rc = _f32(0)
            cc = _f32(0)
            mr = _f32(0)
            mx = _f32(0)
            mc = _f32(0)
            sq = _f32(0)
            grown = _f32(0)
            mr_m = _f32(0)
            mc_m = _f32(0)
            mm = _f32(0)
            for i in range(top, min(top + _CLUSTER, height)):
                up, at, low = a[row0 + i - 1], a[row0 + i], a[row0 + i + 1]
                up_2, low_2 = a[row0 + i - 2], a[row0 + i + 2]
                up_b, at_b, low_b = b[i + 1], b[i + 2], b[i + 3]
                up_2b, low_2b = b[i], b[i + 4]
                # The bend along this row, counted from the cluster's first pixel.
                y, x0 = i - mid_i, left - mid_j
                down_1, across_1 = _f32(bent(bend[0], y, x0)), _f32(bent(bend[1], y, x0))
                down_x = _f32(bend[0, 1] + bend[0, 3] * y + 2 * bend[0, 4] * x0)
                across_x = _f32(bend[1, 1] + bend[1, 3] * y + 2 * bend[1, 4] * x0)
                for j in range(count):
                    q, p = np.uintp(first + j), np.uintp(left + BORDER + j)
                    ar = _f32(0.5) * (low[q] - up[q])
                    ac = _f32(0.5) * (at[q + one] - at[q - one])
                    br = _f32(0.5) * (low_b[p] - up_b[p])
                    bc = _f32(0.5) * (at_b[p + one] - at_b[p - one])
                    gr = _f32(0.5) * (ar + br)
                    gc = _f32(0.5) * (ac + bc)
                    wide_r = (low_2[q] - up_2[q]) + (low_2b[p] - up_2b[p])
                    wide_c = (at[q + two] - at[q - two]) + (at_b[p + two] - at_b[p - two])
                    slope_r = _f32(4 / 3) * gr - _f32(1 / 24) * wide_r
                    slope_c = _f32(4 / 3) * gc - _f32(1 / 24) * wide_c
                    x = _f32(np.int32(j))
                    residual = at_b[p] - at[q]
                    residual += (down_1 + x * (down_x + x * down_xx)) * slope_r
                    residual += (across_1 + x * (across_x + x * across_xx)) * slope_c
                    size = abs(residual)
                    w = clip / (size if size > clip else clip)
                    clipped = w * residual
                    down += gr * clipped
                    across += gc * clipped
                    rr += w * ar * br
                    cc += w * ac * bc
                    rc += w * _f32(0.5) * (ar * bc + ac * br)
                    mr += w * gr * gr
                    mc += w * gc * gc
                    mx += w * gr * gc
                    sq += clipped * clipped
                    m = _f32(0.5) * (at_b[p] + at[q])
                    grown += m * clipped
                    mr_m += w * m * gr
                    mc_m += w * m * gc
                    mm += w * m * m
            contrast[0] += mr_m
            contrast[1] += mc_m
            contrast[2] += mm
            contrast[3] += grown
            coupled[0] += down * grown
            coupled[1] += across * grown
            coupled[2] += grown * grown
            right[0] += down
            right[1] += across
            cross[0] += rr
            cross[1] += rc
            cross[2] += cc
            mean[0] += mr
            mean[1] += mx
            mean[2] += mc
            spread[0] += down * down
            spread[1] += down * across
            spread[2] += across * across
            squares += sq
            told += cc * cc
    clusters = cross[2] * cross[2] / max(told, 1e-30)
    if contrast[2] > 0:
        r, c = contrast[0] / contrast[2], contrast[1] / contrast[2]
        right[0] -= r * contrast[3]
        right[1] -= c * contrast[3]
        for part in (cross, mean):
            part[0] -= r * contrast[0]
            part[1] -= r * contrast[1]
            part[2] -= c * contrast[1]
        spread[0] += r * r * coupled[2] - 2 * r * coupled[0]
        spread[1] += r * c * coupled[2] - r * coupled[1] - c * coupled[0]
        spread[2] += c * c * coupled[2] - 2 * c * coupled[1]
    return cross, mean, right, spread, squares, clusters
