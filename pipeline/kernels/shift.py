"""The shift between two pictures of the same metal, and how far it can be trusted.

Least squares on the pictures themselves (Lucas and Kanade 1981) with the mean gradient of both,
robust against what moved or differs (Huber 1964). One picture's contrast may differ from the
other's: where a window cuts a strong feature that would look like a shift. The covariance comes
from blocks of pixels (the clustered sandwich estimate of Liang and Zeger 1986), which holds
whatever the noise's own correlation is, but falls short where few blocks hold all that tells the
shift, as with a lead figure: fitting that leaves hardly a residual. So the fewer they are, the more
what the noise's variance predicts counts instead.
"""

from __future__ import annotations

from dataclasses import dataclass

import numba as nb
import numpy as np

from pipeline.kernels.shift_doubt import foreseen_spread, middle_of_told
from pipeline.kernels.shift_sums import BORDER, bent, normal_equations, shifted
from pipeline.model import FloatArray, FloatImage

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
    height, width = partner.shape[0] - 2 * BORDER, partner.shape[1] - 2 * BORDER
    sample = np.empty((-(-height // 4), -(-width // 4)), dtype=np.float32)
    for i in range(sample.shape[0]):
        for j in range(sample.shape[1]):
            difference = partner[4 * i + BORDER, 4 * j + BORDER] - a[row0 + 4 * i, column0 + 4 * j]
            sample[i, j] = abs(difference)
    # 1.4826: from the median absolute deviation to a normal standard deviation.
    return 1.4826 * np.median(sample)


@nb.njit(nogil=True, cache=True)
def _refine(  # type: ignore[no-untyped-def]
    a,
    b,
    row0,
    column0,
    height,
    width,
    down0,
    across0,
    reach,
    tolerance,
    max_steps,
    blur,
    bend,
    near,
):
    """Loop of `refine_shift`: found, converged, down, across, covariance ×3, residual, place ×2."""
    nothing = (False, False, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0)
    partner = np.empty((height + 2 * BORDER, width + 2 * BORDER), dtype=np.float32)
    down, across = down0, across0
    clip, moved = np.inf, 0.0 if near else np.inf
    converged = False
    cross, mean, right, spread = np.zeros(3), np.zeros(3), np.zeros(2), np.zeros(3)
    squares, clusters = 0.0, 0.0
    # Noise of variance v a pixel, smoothed by a Gaussian of σ px, in both pictures: the products of
    # its gradients sum to nothing, with a variance of pixels · v'² · Σρ² (v' of the gradient, ρ its
    # autocorrelation: 1.5 of white noise's central differences, 4.7 σ² of smooth noise's).
    chance = 2 * np.sqrt((1.5 + 4.7 * blur**2) / (height * width))
    for step in range(max_steps):
        shifted(b, row0 - BORDER, column0 - BORDER, down, across, partner)
        if step <= 1:
            clip = max(3 * _typical_difference(a, row0, column0, partner), 1e-12)
        cross, mean, right, spread, squares, clusters = normal_equations(
            a, row0, column0, partner, _f32(clip), bend
        )
        # Far from the answer the two gradients differ: their mean then leads safely, if slowly.
        close = moved < _NEAR_PX
        if close and not _tells_a_shift(cross, mean, chance):
            return nothing
        if _eigenvalues(mean[0], mean[1], mean[2])[0] <= 0:
            return nothing
        rr, rc, cc = _inverse(cross) if close else _inverse(mean)
        step_down = -(rr * right[0] + rc * right[1])
        step_across = -(rc * right[0] + cc * right[1])
        down, across = down + step_down, across + step_across
        # Written so that a step that is no number ends here, before it is used as an index.
        if not (abs(down - down0) <= reach and abs(across - across0) <= reach):
            return nothing
        moved = max(abs(step_down), abs(step_across))
        if close and moved < tolerance:
            converged = True
            break
    if not _tells_a_shift(cross, mean, chance):
        return nothing
    # Covariance: inverse · covariance of the right side · inverse. The middle one is the clusters'
    # outer products and, the fewer they are, what the noise foretells: through the structure's
    # gradients, and through the noise's own, for which Σ ρ(gradient) ρ(noise) = πσ².
    variance = squares / (height * width)
    inner = foreseen_spread(a, row0, column0, partner, blur)
    share = clusters / (clusters + _FEW)
    own = max(1.0, np.pi * blur**2)
    for k in range(3):
        foreseen = variance * (max(inner[k], 0.0) if k != 1 else inner[k])
        foreseen += variance * own * (mean[k] - cross[k])
        spread[k] = share * spread[k] + (1 - share) * foreseen
    rr, rc, cc = _inverse(cross)
    t0, t1 = rr * spread[0] + rc * spread[1], rr * spread[1] + rc * spread[2]
    t2, t3 = rc * spread[0] + cc * spread[1], rc * spread[1] + cc * spread[2]
    row, column = middle_of_told(a, row0, column0, partner)
    y, x = row - 0.5 * (height - 1), column - 0.5 * (width - 1)
    down, across = down + bent(bend[0], y, x), across + bent(bend[1], y, x)
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
    bend: FloatArray | None = None,
    near: bool = False,
) -> Shift | None:
    """The shift d so that ``b`` at (row, column) + d looks like ``a`` in ``window``.

    ``window`` is (first row, first column, rows, columns) in ``a``; ``start`` the shift (rows,
    columns) to begin from. None when the window (with a margin for the interpolation and
    ``reach_px``) leaves either picture, when it holds no structure that tells a shift or values
    that are no numbers, or when the search runs further than ``reach_px`` from its start. An
    iteration that doesn't settle within ``max_steps`` is returned with ``converged`` False. A step
    of ``tolerance_px`` ends it: the next one would be far smaller. ``blur_px`` is the standard
    deviation of the Gaussian that both pictures were smoothed by.

    ``bend`` (2, 5): how the shift (rows, columns) varies over the window, as factors of y, x, y²,
    x·y, x², px down and across from the window's middle, for which ``start`` counts; by no more
    than half a pixel at its borders. ``near``: the start is within half a pixel of the answer.
    """
    row0, column0, height, width = window
    margin = int(np.ceil(reach_px)) + BORDER + 3  # of six points, three lie beyond
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
        np.zeros((2, 5)) if bend is None else bend,
        near,
    )
    if not found:
        return None
    covariance = np.array([[rr, rc], [rc, cc]])
    return Shift(down, across, covariance, residual, converged, (row, column))
