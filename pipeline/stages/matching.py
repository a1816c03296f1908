"""What two overlapping frames say about each other: ties between points of their panels."""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np

from pipeline.calibration.product import NoiseModel
from pipeline.kernels.shift import Peak, Shift, best_match, refine_shift
from pipeline.model import FloatArray
from pipeline.stages.views import BLUR_PX, COARSE, REDUCE, View

_BORDER_PX = 12  # of an overlap: one and a half backgrounds keep what lies beyond the end out
TOO_SMALL = "the overlap is too small to compare"
_SAME_METAL = 0.6  # of the structure; true neighbours were found to share 0.9, others under 0.5
_LEAST_STRUCTURE = 0.2  # of all that is seen; with less, noise decides
_CLIP = 4.0  # standard deviations
_PATCHES = 3  # along and across an overlap
_LEAST_PATCH_PX = 24
_NULL_SIGMAS = 6.0  # how far a correlation must stand out from chance
_CELL_PX = 3.0  # coarse pixels that count as one independent sample, squared


@dataclass(frozen=True, slots=True)
class Ties:
    """Pairs of surface points that two frames show alike; arrays have one entry a tie.

    ``a`` and ``b`` are frame numbers; (s, z) the points in mm in each frame's own unrolled copy;
    ``covariance`` (n, 2, 2) of the shift, mm², in the order (s, z); ``log_ratio`` how much brighter
    b shows the place than a, natural logarithm; ``residual`` the disagreement left in units of
    what noise alone would leave (about 1).
    """

    a: np.ndarray
    b: np.ndarray
    s_a: FloatArray
    z_a: FloatArray
    s_b: FloatArray
    z_b: FloatArray
    covariance: FloatArray
    log_ratio: FloatArray
    residual: FloatArray

    def __len__(self) -> int:
        return len(self.a)

    def take(self, keep: np.ndarray) -> Ties:
        """The ties that a boolean mask or an index array keeps."""
        return Ties(*(getattr(self, name)[keep] for name in self.__slots__))

    @staticmethod
    def join(parts: list[Ties]) -> Ties:
        """All ties of several sets, in order; of no sets: none."""
        if not parts:
            empty = np.empty(0)
            index = np.empty(0, dtype=np.int64)
            return Ties(index, index, empty, empty, empty, empty, np.empty((0, 2, 2)), empty, empty)
        return Ties(*(np.concatenate([getattr(p, name) for p in parts]) for name in Ties.__slots__))


@dataclass(frozen=True, slots=True)
class Link:
    """One compared pair: its coarse agreement, and why there are no ties if there are none.

    ``differs``: both pictures hold structure, but not the same.
    """

    a: int
    b: int
    step_mm: float | None  # position of b minus position of a, as the pictures show it
    score: float
    threshold: float
    reason: str
    ties: Ties
    differs: bool = False


def compare(
    a: View,
    b: View,
    *,
    step_mm: float,
    search_mm: float,
    axial_search_mm: float,
    patch_px: int,
    noise: NoiseModel,
) -> Link:
    """Find how b lies against a: b's position is about ``step_mm`` beyond a's, ± ``search_mm``.

    A link whose correlation doesn't stand out from chance has no ties, and says so.
    """
    pitch = a.grid.pitch_mm
    peak, threshold, reason = _coarse_shift(
        a, b, step_mm / pitch, search_mm / pitch, axial_search_mm / pitch
    )
    if peak is None:
        return Link(a.frame, b.frame, None, 0.0, threshold, reason, Ties.join([]))
    shared = _shared_structure(a, b, round(peak.rows), round(peak.columns), noise)
    if shared is not None and shared < _SAME_METAL:
        reason = f"they show different things (best correlation {peak.score:.2f})"
        return Link(a.frame, b.frame, None, peak.score, threshold, reason, Ties.join([]), True)
    ties = _fine_ties(a, b, (peak.rows, peak.columns), patch_px, noise)
    if len(ties) == 0:
        reason = "no patch of the overlap holds structure that tells a shift"
        return Link(a.frame, b.frame, None, peak.score, threshold, reason, ties)
    step = float(np.median(ties.s_a - ties.s_b))
    return Link(a.frame, b.frame, step, peak.score, threshold, "", ties)


def _coarse_shift(
    a: View, b: View, step_px: float, search_px: float, axial_px: float
) -> tuple[Peak | None, float, str]:
    """The shift of a's content in b (rows, columns of the view), from the coarse copies.

    Also the score that chance would hardly reach, and the reason when nothing reaches it. Chance:
    the correlation of n independent samples scatters by 1/√n.
    """
    rows, columns = a.coarse.shape
    step = step_px / COARSE
    reach, reach_rows = math.ceil(search_px / COARSE) + 1, math.ceil(axial_px / COARSE) + 1
    border = _BORDER_PX // COARSE
    # Columns of a whose partner column (column − step) stays inside b over the whole search.
    first = max(border, math.ceil(step) + reach + border)
    end = min(columns - border, columns + math.floor(step) - reach - border)
    top, bottom = reach_rows + border, rows - reach_rows - border
    if end - first < 8 or bottom - top < 8:
        return None, 1.0, TOO_SMALL
    template = a.coarse[top:bottom, first:end]
    left = first - round(step) - reach
    field = b.coarse[
        top - reach_rows : bottom + reach_rows, left : left + (end - first) + 2 * reach
    ]
    threshold = min(_NULL_SIGMAS / math.sqrt(template.size / _CELL_PX**2), 0.95)
    peak = best_match(template, field, lobe_px=3)
    if peak is None or peak.score < threshold:
        score = 0.0 if peak is None else peak.score
        return None, threshold, f"blank overlap (correlation {score:.2f}, needs {threshold:.2f})"
    down = (peak.rows - reach_rows) * COARSE
    across = (peak.columns + left - first) * COARSE
    return Peak(down, across, peak.score, peak.second), threshold, ""


def _shared_structure(a: View, b: View, down: int, across: int, noise: NoiseModel) -> float | None:
    """Which part of the structure that stands out from noise the two have in common there.

    Covariance of the aligned pictures over their mean variance less that of noise: 1 for the same
    metal, however noisy, about 0 for different places. What is the same all along a row, as the
    cap's profile is everywhere, is taken out first. None when noise is nearly all there is.
    """
    rows, columns = a.texture.shape
    top, bottom = _BORDER_PX + max(0, -down), rows - _BORDER_PX - max(0, down)
    left, right = _BORDER_PX + max(0, -across), columns - _BORDER_PX - max(0, across)
    if bottom - top < _LEAST_PATCH_PX or right - left < _LEAST_PATCH_PX:
        return None
    # Every second row and column says as much, as the texture is smooth.
    here = (slice(top, bottom, 2), slice(left, right, 2))
    there = (slice(top + down, bottom + down, 2), slice(left + across, right + across, 2))
    pictures, noises = [], []
    for view, place in ((a, here), (b, there)):
        picture = view.texture[place] - view.texture[place].mean(axis=1, keepdims=True)
        most = _CLIP * float(picture.std())  # so that a lead figure isn't all that counts
        pictures.append(np.clip(picture, -most, most, out=picture))
        gray = np.exp(view.logs[place][::8, ::8].astype(np.float64))
        noises.append(float(np.mean(_texture_noise(gray, noise) ** 2)))
    seen = [float(np.mean(picture**2)) for picture in pictures]
    structure = math.sqrt(seen[0] * seen[1]) - math.sqrt(noises[0] * noises[1])
    if structure < _LEAST_STRUCTURE * math.sqrt(seen[0] * seen[1]):
        return None
    return float(np.mean(pictures[0] * pictures[1])) / structure


def _patch_starts(first: int, end: int, size: int) -> list[int]:
    """Where at most _PATCHES patches of ``size`` begin, spread evenly over [first, end)."""
    room = end - first - size
    if room < 0:
        return []
    count = min(_PATCHES, math.ceil((end - first) / size))
    if count == 1:
        return [first + room // 2]
    return [first + round(k * room / (count - 1)) for k in range(count)]


def _fine_ties(
    a: View, b: View, start: tuple[float, float], patch_px: int, noise: NoiseModel
) -> Ties:
    """Least-squares shifts of patches spread over the overlap, as ties."""
    grid = a.grid
    down, across = start
    margin = _BORDER_PX
    top, bottom = margin + max(0, math.ceil(-down)), grid.rows - margin - max(0, math.ceil(down))
    left, right = (
        margin + max(0, math.ceil(-across)),
        grid.columns - margin - max(0, math.ceil(across)),
    )
    # Where the overlap is small the patches are too: how the shift varies across it tells the
    # geometry, and that takes patches side by side.
    height, width = (
        min(patch_px // REDUCE, max(room // _PATCHES, _LEAST_PATCH_PX))
        for room in (bottom - top, right - left)
    )
    found: list[tuple[float, float, Shift]] = []
    for row in _patch_starts(top, bottom, height):
        for column in _patch_starts(left, right, width):
            shift = refine_shift(a.texture, b.texture, (row, column, height, width), start)
            if shift is not None and shift.converged:
                found.append((row + (height - 1) / 2, column + (width - 1) / 2, shift))
    return _as_ties(a, b, found, (height, width), noise)


def _as_ties(
    a: View,
    b: View,
    found: list[tuple[float, float, Shift]],
    size: tuple[int, int],
    noise: NoiseModel,
) -> Ties:
    """Patches' shifts, each with its patch's centre (row, column) in a, as ties."""
    if not found:
        return Ties.join([])
    grid, count = a.grid, len(found)
    row, column, rows, columns, residual = np.array(
        [(r, c, shift.rows, shift.columns, shift.residual) for r, c, shift in found]
    ).T
    log_a, log_b = (
        np.array([_mean_log(view, r, c, size) for r, c in zip(down, across, strict=True)])
        for view, down, across in ((a, row, column), (b, row + rows, column + columns))
    )
    expected = np.hypot(*(_texture_noise(np.exp(log), noise) for log in (log_a, log_b)))
    covariance = np.array([shift.covariance for _, _, shift in found]) * grid.pitch_mm**2
    return Ties(
        a=np.full(count, a.frame, dtype=np.int64),
        b=np.full(count, b.frame, dtype=np.int64),
        s_a=grid.s_first_mm + column * grid.pitch_mm,
        z_a=grid.z_first_mm + row * grid.pitch_mm,
        s_b=grid.s_first_mm + (column + columns) * grid.pitch_mm,
        z_b=grid.z_first_mm + (row + rows) * grid.pitch_mm,
        covariance=covariance[:, ::-1, ::-1],  # from (row, column) to (s, z)
        log_ratio=log_b - log_a,
        residual=residual / expected,
    )


def _texture_noise(gray_value: FloatArray, noise: NoiseModel) -> FloatArray:
    """Standard deviation of a texture's noise where the frame shows ``gray_value``.

    Relative noise of a view's pixel, times what the smoothing leaves of it: a Gaussian of standard
    deviation σ px keeps 1/(4πσ²) of white noise's variance.
    """
    variance = noise.offset + noise.slope * gray_value + (noise.gain_relative * gray_value) ** 2
    variance = variance / REDUCE**2
    return np.asarray(np.sqrt(variance / (4 * math.pi)) / (BLUR_PX * gray_value))


def _mean_log(view: View, row: float, column: float, size: tuple[int, int]) -> float:
    """The mean logarithm of the gray values over a patch centred at (row, column)."""
    return float(cv2.getRectSubPix(view.logs, (size[1], size[0]), (column, row)).mean())
