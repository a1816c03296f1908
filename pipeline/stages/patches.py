"""Pieces of one frame's view looked for in another's, spread over the overlap of the two."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from pipeline.kernels.shift import Shift, refine_shift
from pipeline.model import FloatArray
from pipeline.stages.bend import Bend, fit_bend
from pipeline.stages.coarse import BORDER_PX
from pipeline.stages.views import BLUR_PX, COARSE, REDUCE, View

_PATCHES = 3  # along and across an overlap
_LEAST_PATCH_PX = 24
_LEAST_COARSE_PX = 12
_COARSE_REACH_PX = 1.5
_ROUGH_PX = 0.05


@dataclass(frozen=True, slots=True)
class Patches:
    """Pieces of frame a's view, all of one ``size`` (rows, columns), looked for in b.

    ``corners`` (n, 2) are their first (row, column); ``shifts`` what least squares found for each,
    None where it didn't settle; ``start`` (rows, columns) where it began; ``bend`` how the shift
    was taken to vary, None: it wasn't.
    """

    corners: np.ndarray
    size: tuple[int, int]
    shifts: tuple[Shift | None, ...]
    start: tuple[float, float]
    bend: Bend | None = None

    def bend_about(self, row: float, column: float) -> FloatArray:
        """(2, 5): how the shift was taken to vary about a place, see `Bend.about`."""
        return np.zeros((2, 5)) if self.bend is None else self.bend.about(row, column)

    def moved(self) -> FloatArray:
        """(n, 2): where b shows each, as far as that is known."""
        return np.array(
            [self.start if s is None else (s.rows, s.columns) for s in self.shifts]
        ).reshape(-1, 2)


def refine_patches(a: View, b: View, start: tuple[float, float], patch_px: int) -> Patches:
    """Least-squares shifts of patches spread over the overlap, near ``start`` (rows, columns).

    How the shift varies over the overlap is found on the coarse copies first, so that it holds all
    over a patch. ``patch_px`` is the most that a patch measures, in strip pixels.
    """
    grid = a.grid
    down, across = start
    margin = BORDER_PX
    top, bottom = margin + max(0, math.ceil(-down)), grid.rows - margin - max(0, math.ceil(down))
    left, right = (
        margin + max(0, math.ceil(-across)),
        grid.columns - margin - max(0, math.ceil(across)),
    )
    # Where the overlap is small the patches are too: how the shift varies across it tells the
    # geometry, and that takes patches side by side.
    height, width = (
        max(min(patch_px // REDUCE, max(room // _PATCHES, _LEAST_PATCH_PX), room), 1)
        for room in (bottom - top, right - left)
    )
    size = height, width
    places = [
        (row, column)
        for row in _patch_starts(top, bottom, height)
        for column in _patch_starts(left, right, width)
    ]
    corners = np.array(places, dtype=np.int64).reshape(-1, 2)
    if min(size) < _LEAST_PATCH_PX:  # enough to judge, not to measure
        return Patches(corners, size, (None,) * len(places), start)
    rough = [_rough_shift(a, b, (*place, height, width), start) for place in places]
    bend = _bend_of(rough, (right - left) / 2)
    shifts = [
        _shift(a, b, (*place, height, width), start if bend is None else bend, known is not None)
        for place, known in zip(places, rough, strict=True)
    ]
    return Patches(corners, size, tuple(shifts), start, bend)


def _patch_starts(first: int, end: int, size: int) -> list[int]:
    """Where at most _PATCHES patches of ``size`` begin, spread evenly over [first, end)."""
    room = end - first - size
    if room < 0:
        return []
    count = min(_PATCHES, math.ceil((end - first) / size))
    if count == 1:
        return [first + room // 2]
    return [first + round(k * room / (count - 1)) for k in range(count)]


def _rough_shift(
    a: View, b: View, window: tuple[int, int, int, int], start: tuple[float, float]
) -> Shift | None:
    """A patch's shift on the coarse copies, in their pixels; None if it isn't found."""
    # Within the patch, so that the borders have room enough.
    first = [math.ceil(k / COARSE) + 1 for k in window[:2]]
    end = [(k + n) // COARSE - 1 for k, n in zip(window[:2], window[2:], strict=True)]
    rows, columns = (e - f for f, e in zip(first, end, strict=True))
    if min(rows, columns) < _LEAST_COARSE_PX:
        return None
    found = refine_shift(
        a.coarse,
        b.coarse,
        (first[0], first[1], rows, columns),
        (start[0] / COARSE, start[1] / COARSE),
        reach_px=_COARSE_REACH_PX,
        tolerance_px=_ROUGH_PX,
        blur_px=BLUR_PX / COARSE,
    )
    return found if found is not None and found.converged else None


def _bend_of(rough: list[Shift | None], half_px: float) -> Bend | None:
    """How the shift varies, in the views' pixels; None if it is known nowhere."""
    found = [shift for shift in rough if shift is not None]
    if not found:
        return None
    # A coarse pixel's centre lies between those that it is made of.
    at = np.array([shift.at for shift in found]) * COARSE + (COARSE - 1) / 2
    shifts = np.array([(shift.rows, shift.columns) for shift in found]) * COARSE
    variances = np.array([np.diag(shift.covariance) for shift in found]) * COARSE**2
    return fit_bend(at, shifts, variances, half_px)


def _shift(
    a: View,
    b: View,
    window: tuple[int, int, int, int],
    begin: Bend | tuple[float, float],
    near: bool,
) -> Shift | None:
    row, column = window[0] + (window[2] - 1) / 2, window[1] + (window[3] - 1) / 2
    if isinstance(begin, Bend):
        start, bend = begin.shift(row, column), begin.about(row, column)
    else:
        start, bend = begin, None
    found = refine_shift(a.texture, b.texture, window, start, blur_px=BLUR_PX, bend=bend, near=near)
    return found if found is not None and found.converged else None
