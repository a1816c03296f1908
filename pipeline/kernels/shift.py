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
_COMMON = 0.05  # least part of the structure that two pictures must share
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
    if template.min() == template.max() or field.min() == field.max():
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


@nb.njit(inline="always")
def _inverse(m):  # type: ignore[no-untyped-def]
    """The inverse of the symmetric matrix [[m0, m1], [m1, m2]] in the same three numbers."""
    determinant = m[0] * m[2] - m[1] * m[1]
    return m[2] / determinant, -m[1] / determinant, m[0] / determinant


@nb.njit(inline="always")
def _eigenvalues(a, b, c):  # type: ignore[no-untyped-def]
    """Smaller and larger eigenvalue of the symmetric matrix [[a, b], [b, c]]."""
    middle, half = 0.5 * (a + c), np.sqrt(0.25 * (a - c) ** 2 + b * b)
    return middle - half, middle + half


@nb.njit(inline="always")
def _tells_a_shift(cross, mean):  # type: ignore[no-untyped-def]
    """Whether there is structure both ways: what the two pictures' gradients have in common against
    what they don't (noise, or something that moved)."""
    common, _ = _eigenvalues(cross[0], cross[1], cross[2])
    _, apart = _eigenvalues(mean[0] - cross[0], mean[1] - cross[1], mean[2] - cross[2])
    return common > 0 and common > _COMMON * apart


@nb.njit(nogil=True, cache=True)
def _typical_difference(a, row0, column0, partner):  # type: ignore[no-untyped-def]
    """Robust standard deviation of the pictures' difference, from every fourth row and column."""
    height, width = partner.shape[0] - 2, partner.shape[1] - 2
    sample = np.empty((-(-height // 4), -(-width // 4)), dtype=np.float32)
    for i in range(sample.shape[0]):
        for j in range(sample.shape[1]):
            difference = partner[4 * i + 1, 4 * j + 1] - a[row0 + 4 * i, column0 + 4 * j]
            sample[i, j] = abs(difference)
    # 1.4826: from the median absolute deviation to a normal standard deviation.
    return 1.4826 * np.median(sample)


@nb.njit(nogil=True, cache=True)
def _refine(  # type: ignore[no-untyped-def]
    a, b, row0, column0, height, width, down0, across0, reach, tolerance, max_steps
):
    """The loop of `refine_shift`: (found, converged, down, across, covariance ×3, residual)."""
    nothing = (False, False, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0)
    partner = np.empty((height + 2, width + 2), dtype=np.float32)
    down, across = down0, across0
    clip, moved = np.inf, np.inf
    converged = False
    cross, mean, right, spread = np.zeros(3), np.zeros(3), np.zeros(2), np.zeros(3)
    squares = 0.0
    for step in range(max_steps):
        _shifted(b, row0 - 1, column0 - 1, down, across, partner)
        if step <= 1:
            clip = max(3 * _typical_difference(a, row0, column0, partner), 1e-12)
        cross, mean, right, spread, squares = _normal_equations(
            a, row0, column0, partner, _f32(clip)
        )
        # Far from the answer the two gradients differ: their mean then leads safely, if slowly.
        near = moved < _NEAR_PX
        if near and not _tells_a_shift(cross, mean):
            return nothing
        if _eigenvalues(mean[0], mean[1], mean[2])[0] <= 0:
            return nothing
        rr, rc, cc = _inverse(cross) if near else _inverse(mean)
        step_down = -(rr * right[0] + rc * right[1])
        step_across = -(rc * right[0] + cc * right[1])
        down, across = down + step_down, across + step_across
        # Written so that a step that is no number ends here, before it is used as an index.
        if not (abs(down - down0) <= reach and abs(across - across0) <= reach):
            return nothing
        moved = max(abs(step_down), abs(step_across))
        if near and moved < tolerance:
            converged = True
            break
    if not _tells_a_shift(cross, mean):
        return nothing
    # Covariance: inverse · clusters' outer products · inverse.
    rr, rc, cc = _inverse(cross)
    t0, t1 = rr * spread[0] + rc * spread[1], rr * spread[1] + rc * spread[2]
    t2, t3 = rc * spread[0] + cc * spread[1], rc * spread[1] + cc * spread[2]
    residual = np.sqrt(squares / (height * width))
    return (
        True,
        converged,
        down,
        across,
        t0 * rr + t1 * rc,
        t0 * rc + t1 * cc,
        t2 * rc + t3 * cc,
        residual,
    )


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
    ``reach_px``) leaves either picture, when it holds no structure that tells a shift or values
    that are no numbers, or when the search runs further than ``reach_px`` from its start. An
    iteration that doesn't settle within ``max_steps`` is returned with ``converged`` False. A step
    of ``tolerance_px`` ends it: the next one would be far smaller.
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
    found, converged, down, across, rr, rc, cc, residual = _refine(
        a, b, row0, column0, height, width, *map(float, start), reach_px, tolerance_px, max_steps
    )
    if not found:
        return None
    return Shift(down, across, np.array([[rr, rc], [rc, cc]]), residual, converged)
