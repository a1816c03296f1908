"""The shift between two pictures of the same metal, and how far it can be trusted.

Least squares on the pictures themselves (Lucas and Kanade 1981) with the mean gradient of both,
robust against what moved or differs (Huber 1964). The covariance comes from blocks of pixels (the
clustered sandwich estimate of Liang and Zeger 1986), which holds whatever the noise's own
correlation is, but falls short where few blocks hold all that tells the shift, as with a lead
figure: fitting that leaves hardly a residual. So the fewer they are, the more what the noise's
variance predicts counts instead.
"""

from __future__ import annotations

from dataclasses import dataclass

import numba as nb
import numpy as np

from pipeline.kernels.resample import taps
from pipeline.model import FloatArray, FloatImage

_CLUSTER = 16  # pixels; well beyond the correlation length of the smoothed noise
_NEAR_PX = 0.5  # a step shorter than this is in the quadratic neighbourhood of the answer
_COMMON = 0.05  # least part of the structure that two pictures must share
_CLEAR = 3.0  # standard errors by which what they share must stand out from noise
_FEW = 8.0  # clusters that tell as much about the covariance as the prediction does
_f32 = np.float32


@dataclass(frozen=True, slots=True)
class Shift:
    """What least squares found: shift (rows, columns), px; covariance (2, 2), px².

    ``residual`` is the root mean square disagreement left, in the pictures' unit. ``at`` (row,
    column) in the first picture is the middle of what told the shift: where it varies over the
    window, this is the place that it holds for.
    """

    rows: float
    columns: float
    covariance: FloatArray
    residual: float
    converged: bool
    at: tuple[float, float]


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
    outer products, the sum of squared clipped residuals, and in how many clusters what tells the
    shift along the columns effectively lies. ``b`` has a border of one pixel.
    """
    height, width = b.shape[0] - 2, b.shape[1] - 2
    cross = np.zeros(3)
    mean = np.zeros(3)
    right = np.zeros(2)
    spread = np.zeros(3)
    squares = np.float64(0)
    told = np.float64(0)
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
            told += cc * cc
    clusters = cross[2] * cross[2] / max(told, 1e-30)
    return cross, mean, right, spread, squares, clusters


@nb.njit(nogil=True, cache=True)
def _foreseen_spread(a, row0, column0, b, blur):  # type: ignore[no-untyped-def]
    """The right side's covariance (rr, rc, cc) for noise of unit variance, smoothed by ``blur`` px.

    Such noise is tied together by C(r) = e^(−r²/4σ²), so what the gradients g make of it has the
    covariance Σ g (C * g). One picture's gradients are multiplied by the other's, so that their own
    noise drops out. Arguments as in `_normal_equations`.
    """
    height, width = b.shape[0] - 2, b.shape[1] - 2
    half = min(int(np.ceil(4 * blur)), 12)
    lags = np.arange(-half, half + 1)
    ties = np.exp(-(lags**2) / max(4.0 * blur * blur, 1e-6)).astype(np.float32)
    down = np.zeros((height, width + 2 * half), dtype=np.float32)
    across = np.zeros((height, width + 2 * half), dtype=np.float32)
    for i in range(height):
        for j in range(width):
            down[i, half + j] = _f32(0.5) * (b[i + 2, j + 1] - b[i, j + 1])
            across[i, half + j] = _f32(0.5) * (b[i + 1, j + 2] - b[i + 1, j])
    smooth = np.zeros((2, height, width), dtype=np.float32)
    for part, source in enumerate((down, across)):
        for i in range(height):
            line, out = source[i], smooth[part, i]
            for k in range(2 * half + 1):
                for j in range(width):
                    out[j] += ties[k] * line[j + k]
    rr, rc, cc = 0.0, 0.0, 0.0
    for i in range(height):
        up, at, low = a[row0 + i - 1], a[row0 + i], a[row0 + i + 1]
        row = np.zeros((2, width), dtype=np.float32)
        for k in range(max(i - half, 0), min(i + half + 1, height)):
            tie = ties[k - i + half]
            for j in range(width):
                row[0, j] += tie * smooth[0, k, j]
                row[1, j] += tie * smooth[1, k, j]
        for j in range(width):
            q = column0 + j
            ar, ac = _f32(0.5) * (low[q] - up[q]), _f32(0.5) * (at[q + 1] - at[q - 1])
            rr += ar * row[0, j]
            rc += _f32(0.5) * (ar * row[1, j] + ac * row[0, j])
            cc += ac * row[1, j]
    return rr, rc, cc


@nb.njit(nogil=True, cache=True)
def _middle(a, row0, column0, b):  # type: ignore[no-untyped-def]
    """(row, column) of the patch, from its first pixel, about which what tells the shift along the
    columns lies evenly; never outside the patch. Arguments as in `_normal_equations`."""
    height, width = b.shape[0] - 2, b.shape[1] - 2
    whole, down, across = 0.0, 0.0, 0.0
    for i in range(height):
        line_a, line_b = a[row0 + i], b[i + 1]
        row = np.float64(0)
        for j in range(width):
            q = column0 + j
            told = (line_a[q + 1] - line_a[q - 1]) * (line_b[j + 2] - line_b[j])
            row += told
            across += told * j
        whole += row
        down += row * i
    if whole <= 0:
        return 0.5 * (height - 1), 0.5 * (width - 1)
    return min(max(down / whole, 0.0), height - 1.0), min(max(across / whole, 0.0), width - 1.0)


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
def _tells_a_shift(cross, mean, chance):  # type: ignore[no-untyped-def]
    """Whether there is structure both ways: what the two pictures' gradients have in common against
    what they don't (noise, or something that moved). ``chance`` is the standard error of the
    former, in parts of the latter, where both are noise."""
    common, _ = _eigenvalues(cross[0], cross[1], cross[2])
    _, apart = _eigenvalues(mean[0] - cross[0], mean[1] - cross[1], mean[2] - cross[2])
    return common > 0 and common > max(_COMMON, _CLEAR * chance) * apart


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
    a, b, row0, column0, height, width, down0, across0, reach, tolerance, max_steps, blur
):
    """Loop of `refine_shift`: found, converged, down, across, covariance ×3, residual, place ×2."""
    nothing = (False, False, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0)
    partner = np.empty((height + 2, width + 2), dtype=np.float32)
    down, across = down0, across0
    clip, moved = np.inf, np.inf
    converged = False
    cross, mean, right, spread = np.zeros(3), np.zeros(3), np.zeros(2), np.zeros(3)
    squares, clusters = 0.0, 0.0
    # Noise of variance v a pixel, smoothed by a Gaussian of σ px, in both pictures: the products of
    # its gradients sum to nothing, with a variance of pixels · v'² · Σρ² (v' of the gradient, ρ its
    # autocorrelation: 1.5 of white noise's central differences, 4.7 σ² of smooth noise's).
    chance = 2 * np.sqrt((1.5 + 4.7 * blur**2) / (height * width))
    for step in range(max_steps):
        _shifted(b, row0 - 1, column0 - 1, down, across, partner)
        if step <= 1:
            clip = max(3 * _typical_difference(a, row0, column0, partner), 1e-12)
        cross, mean, right, spread, squares, clusters = _normal_equations(
            a, row0, column0, partner, _f32(clip)
        )
        # Far from the answer the two gradients differ: their mean then leads safely, if slowly.
        near = moved < _NEAR_PX
        if near and not _tells_a_shift(cross, mean, chance):
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
    if not _tells_a_shift(cross, mean, chance):
        return nothing
    # Covariance: inverse · covariance of the right side · inverse. The middle one is the clusters'
    # outer products and, the fewer they are, what the noise foretells: through the structure's
    # gradients, and through the noise's own, for which Σ ρ(gradient) ρ(noise) = πσ².
    variance = squares / (height * width)
    inner = _foreseen_spread(a, row0, column0, partner, blur)
    share = clusters / (clusters + _FEW)
    own = max(1.0, np.pi * blur**2)
    for k in range(3):
        foreseen = variance * (max(inner[k], 0.0) if k != 1 else inner[k])
        foreseen += variance * own * (mean[k] - cross[k])
        spread[k] = share * spread[k] + (1 - share) * foreseen
    rr, rc, cc = _inverse(cross)
    t0, t1 = rr * spread[0] + rc * spread[1], rr * spread[1] + rc * spread[2]
    t2, t3 = rc * spread[0] + cc * spread[1], rc * spread[1] + cc * spread[2]
    row, column = _middle(a, row0, column0, partner)
    return (
        True,
        converged,
        down,
        across,
        t0 * rr + t1 * rc,
        t0 * rc + t1 * cc,
        t2 * rc + t3 * cc,
        np.sqrt(variance),
        row0 + row,
        column0 + column,
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
    blur_px: float = 0.0,
) -> Shift | None:
    """The shift d so that ``b`` at (row, column) + d looks like ``a`` in ``window``.

    ``window`` is (first row, first column, rows, columns) in ``a``; ``start`` the shift (rows,
    columns) to begin from. None when the window (with a margin for the interpolation and
    ``reach_px``) leaves either picture, when it holds no structure that tells a shift or values
    that are no numbers, or when the search runs further than ``reach_px`` from its start. An
    iteration that doesn't settle within ``max_steps`` is returned with ``converged`` False. A step
    of ``tolerance_px`` ends it: the next one would be far smaller. ``blur_px`` is the standard
    deviation of the Gaussian that both pictures were smoothed by.
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
    found, converged, down, across, rr, rc, cc, residual, row, column = _refine(
        a,
        b,
        row0,
        column0,
        height,
        width,
        *map(float, start),
        reach_px,
        tolerance_px,
        max_steps,
        blur_px,
    )
    if not found:
        return None
    covariance = np.array([[rr, rc], [rc, cc]])
    return Shift(down, across, covariance, residual, converged, (row, column))
