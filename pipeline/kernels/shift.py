"""The shift between two pictures of the same metal, and how far it can be trusted.

Coarse: normalised cross-correlation over a search window. Fine: least squares on the pictures
themselves (Lucas and Kanade 1981) with the mean gradient of both, robust against what moved or
differs (Huber 1964), its covariance from blocks of pixels (the clustered sandwich estimate of
Liang and Zeger 1986), which holds whatever the noise's own correlation is.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numba as nb
import numpy as np

from pipeline.kernels.resample import taps
from pipeline.model import FloatArray, FloatImage

_CLUSTER = 16  # pixels; well beyond the correlation length of the smoothed noise
_NEAR_PX = 0.5  # a step shorter than this is in the quadratic neighbourhood of the answer
_f32 = np.float32


@dataclass(frozen=True, slots=True)
class Peak:
    """A place of best agreement: shift (rows, columns), its correlation, the runner-up's."""

    rows: float
    columns: float
    score: float
    second: float


@dataclass(frozen=True, slots=True)
class Shift:
    """What least squares found: shift (rows, columns), px; covariance (2, 2), px².

    ``residual`` is the root mean square disagreement left, in the pictures' unit.
    """

    rows: float
    columns: float
    covariance: FloatArray
    residual: float
    converged: bool


def _vertex(before: float, at: float, after: float) -> float:
    """Where a parabola through three equidistant values has its top, from the middle one."""
    curve = before - 2 * at + after
    return 0.0 if curve >= 0 else float(np.clip((before - after) / (2 * curve), -0.5, 0.5))


def best_match(template: FloatImage, field: FloatImage, *, lobe_px: int) -> Peak | None:
    """Where ``template`` fits best inside ``field``: offset of its corner, to a part of a pixel.

    ``second`` is the best score further than ``lobe_px`` from the peak. None when either picture is
    flat, so that no correlation is defined.
    """
    if float(template.std()) == 0.0 or float(field.std()) == 0.0:
        return None
    scores = cv2.matchTemplate(field, template, cv2.TM_CCOEFF_NORMED)
    scores[~np.isfinite(scores)] = -1.0
    row, column = (int(k) for k in np.unravel_index(int(np.argmax(scores)), scores.shape))
    peak = float(scores[row, column])
    down, across = float(row), float(column)
    if 0 < row < scores.shape[0] - 1:
        down += _vertex(*(float(v) for v in scores[row - 1 : row + 2, column]))
    if 0 < column < scores.shape[1] - 1:
        across += _vertex(*(float(v) for v in scores[row, column - 1 : column + 2]))
    others = scores.copy()
    others[
        max(row - lobe_px, 0) : row + lobe_px + 1, max(column - lobe_px, 0) : column + lobe_px + 1
    ] = -1.0
    return Peak(down, across, peak, float(others.max()))


@nb.njit(nogil=True, cache=True)
def _shifted(picture, row0, column0, down, across, out):  # type: ignore[no-untyped-def]
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


@nb.njit(nogil=True, cache=True)
def _normal_equations(a, row0, column0, b, clip):  # type: ignore[no-untyped-def]
    """Sums over the patch ``a[row0:, column0:]`` against its shifted partner ``b``.

    Returns the cross-gradient matrix (rr, rc, cc: its noise part has mean zero, because the two
    pictures' noises are independent), the mean-gradient matrix, the right side, the clusters'
    outer products, and the sum of squared clipped residuals. ``b`` has a border of one pixel.
    """
    height, width = b.shape[0] - 2, b.shape[1] - 2
    cross = np.zeros(3)
    mean = np.zeros(3)
    right = np.zeros(2)
    spread = np.zeros(3)
    squares = np.float64(0)
    for top in range(0, height, _CLUSTER):
        for left in range(0, width, _CLUSTER):
            down = _f32(0)
            across = _f32(0)
            rr = _f32(0)
            rc = _f32(0)
            cc = _f32(0)
            mr = _f32(0)
            mx = _f32(0)
            mc = _f32(0)
            sq = _f32(0)
            for i in range(top, min(top + _CLUSTER, height)):
                up, at, low = a[row0 + i - 1], a[row0 + i], a[row0 + i + 1]
                upb, atb, lowb = b[i], b[i + 1], b[i + 2]
                for j in range(left, min(left + _CLUSTER, width)):
                    q = np.uintp(column0 + j)
                    p = np.uintp(j)
                    ar = _f32(0.5) * (low[q] - up[q])
                    ac = _f32(0.5) * (at[q + np.uintp(1)] - at[q - np.uintp(1)])
                    br = _f32(0.5) * (lowb[p + np.uintp(1)] - upb[p + np.uintp(1)])
                    bc = _f32(0.5) * (atb[p + np.uintp(2)] - atb[p])
                    residual = atb[p + np.uintp(1)] - at[q]
                    clipped = min(max(residual, -clip), clip)
                    gr = _f32(0.5) * (ar + br)
                    gc = _f32(0.5) * (ac + bc)
                    w = _f32(1) if clipped == residual else clipped / residual
                    down += gr * clipped
                    across += gc * clipped
                    rr += w * ar * br
                    cc += w * ac * bc
                    rc += w * _f32(0.5) * (ar * bc + ac * br)
                    mr += w * gr * gr
                    mc += w * gc * gc
                    mx += w * gr * gc
                    sq += clipped * clipped
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
    return cross, mean, right, spread, squares


def _matrix(values: FloatArray) -> FloatArray:
    return np.array([[values[0], values[1]], [values[1], values[2]]])


def _tells_a_shift(cross: FloatArray, mean: FloatArray) -> bool:
    """Whether there is structure both ways: what the two pictures' gradients have in common against
    what they don't (noise, or something that moved)."""
    common = float(np.linalg.eigvalsh(_matrix(cross))[0])
    apart = float(np.linalg.eigvalsh(_matrix(mean - cross))[1])
    return common > 0 and common > 0.05 * apart


def refine_shift(
    a: FloatImage,
    b: FloatImage,
    window: tuple[int, int, int, int],
    start: tuple[float, float],
    *,
    reach_px: float = 3.0,
    tolerance_px: float = 4e-3,
    max_steps: int = 12,
) -> Shift | None:
    """The shift d so that ``b`` at (row, column) + d looks like ``a`` in ``window``.

    ``window`` is (first row, first column, rows, columns) in ``a``; ``start`` the shift (rows,
    columns) to begin from. None when the window (with a margin for the interpolation and
    ``reach_px``) leaves either picture, when it holds no structure that tells a shift, or when the
    search runs further than ``reach_px`` from its start. An iteration that doesn't settle within
    ``max_steps`` is returned with ``converged`` False.
    """
    row0, column0, height, width = window
    margin = int(np.ceil(reach_px)) + 4
    for shape, top, left in (
        (a.shape, row0, column0),
        (b.shape, row0 + start[0], column0 + start[1]),
    ):
        if top < margin or left < margin:
            return None
        if top + height + margin > shape[0] or left + width + margin > shape[1]:
            return None
    partner = np.empty((height + 2, width + 2), dtype=np.float32)
    down, across = float(start[0]), float(start[1])
    clip, converged = float("inf"), False
    move = np.full(2, np.inf)
    for step in range(max_steps):
        _shifted(b, row0 - 1, column0 - 1, down, across, partner)
        if step <= 1:
            sample = (
                partner[1:-1:4, 1:-1:4] - a[row0 : row0 + height : 4, column0 : column0 + width : 4]
            )
            # 1.4826: from the median absolute deviation to a normal standard deviation.
            clip = 3 * 1.4826 * float(np.median(np.abs(sample - np.median(sample))))
        cross, mean, right, spread, squares = _normal_equations(
            a, row0, column0, partner, _f32(max(clip, 1e-12))
        )
        # Far from the answer the two gradients differ: their mean then leads safely, if slowly.
        near = float(np.abs(move).max()) < _NEAR_PX
        inverse = np.linalg.inv(_matrix(cross)) if near else np.linalg.pinv(_matrix(mean))
        move = -inverse @ right
        down, across = down + float(move[0]), across + float(move[1])
        if max(abs(down - start[0]), abs(across - start[1])) > reach_px:
            return None
        if near and float(np.abs(move).max()) < tolerance_px:
            converged = True
            break
        if near and not _tells_a_shift(cross, mean):
            return None
    if not _tells_a_shift(cross, mean):
        return None
    inverse = np.linalg.inv(_matrix(cross))
    covariance = inverse @ _matrix(spread) @ inverse
    residual = float(np.sqrt(squares / (height * width)))
    return Shift(down, across, covariance, residual, converged)
