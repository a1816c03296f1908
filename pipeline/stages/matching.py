"""What two overlapping frames say about each other: ties between points of their panels."""

from __future__ import annotations

import math
from dataclasses import dataclass
from statistics import NormalDist

import cv2
import numpy as np

from pipeline.calibration.product import NoiseModel
from pipeline.kernels.shift import Peak, Shift, best_match, refine_shift
from pipeline.model import FloatArray, FloatImage
from pipeline.stages.agreement import Agreement, judge, texture_noise
from pipeline.stages.views import COARSE, REDUCE, View

_BORDER_PX = 12  # of an overlap: one and a half backgrounds keep what lies beyond the end out
TOO_SMALL = "the overlap is too small to compare"
_BLANK = "blank overlap"
_PATCHES = 3  # along and across an overlap
_LEAST_PATCH_PX = 24
_LEAST_COARSE = 8  # pixels of the coarse copies, each way
_CHANCE = 1e-7  # how often two blank pictures may seem to match
_PLAIN = 1.25  # how far a true match must be expected above chance before its absence counts
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

    Where the overlap holds structure enough, its blocks decide whether it is the same metal (see
    ``judge``); else the coarse correlation must stand out from chance. A link without ties says
    why.
    """
    pitch = a.grid.pitch_mm
    coarse = _coarse_shift(a, b, step_mm / pitch, search_mm / pitch, axial_search_mm / pitch)
    peak, step, ties, differs = coarse.peak, None, Ties.join([]), False
    if peak is None:
        reason = TOO_SMALL if coarse.threshold >= 1 else _BLANK
    else:
        patches = _refined(a, b, (peak.rows, peak.columns), patch_px)
        agreement = judge(a, b, patches.corners, patches.size, patches.moved(), noise)
        reason, differs = _why_not(agreement, peak, coarse, noise)
        if not reason:
            ties = _as_ties(a, b, patches, noise)
            if len(ties):
                step = float(np.median(ties.s_a - ties.s_b))
            else:
                reason = "no patch of the overlap holds structure that tells a shift"
    score = 0.0 if peak is None else peak.score
    return Link(a.frame, b.frame, step, score, coarse.threshold, reason, ties, differs)


def _why_not(
    agreement: Agreement, peak: Peak, coarse: _Coarse, noise: NoiseModel
) -> tuple[str, bool]:
    """Why the match isn't one ("" if it is), and whether the pictures plainly differ."""
    told = f"{agreement.agreeing} of {agreement.structured} structured places agree"
    found = peak.score >= coarse.threshold
    if agreement.share is not None and agreement.same is None:
        return f"they show the same only in part ({told})", False
    # What is searched may be blank though there is structure beside it: then the match was
    # chance's, and the blocks stand at the wrong place.
    if agreement.same is False and (
        found or coarse.expected_score(noise) > _PLAIN * coarse.threshold
    ):
        return f"they show different things ({told})", True
    if not found and not agreement.same:
        return f"{_BLANK} (correlation {peak.score:.2f}, needs {coarse.threshold:.2f})", False
    return "", False


@dataclass(frozen=True, slots=True)
class _Coarse:
    """Where a's content lies best in b (rows, columns of the view), and how to judge that.

    ``peak`` is None where the overlap is too small to compare (``threshold`` 1) or a picture is
    flat; ``threshold`` the score that chance hardly reaches; ``template`` the part of a's coarse
    copy that was looked for, ``logs`` of that place.
    """

    peak: Peak | None
    threshold: float
    template: FloatImage
    logs: FloatImage

    def expected_score(self, noise: NoiseModel) -> float:
        """What the same metal would score: the part of the template's variance beyond noise."""
        gray = np.exp(self.logs[::8, ::8].astype(np.float64))
        return 1 - float(np.mean(texture_noise(gray, noise) ** 2)) / float(self.template.var())


def _coarse_shift(a: View, b: View, step_px: float, search_px: float, axial_px: float) -> _Coarse:
    """The best match of the coarse copies within the search."""
    rows, columns = a.coarse.shape
    step = step_px / COARSE
    reach, reach_rows = math.ceil(search_px / COARSE) + 1, math.ceil(axial_px / COARSE) + 1
    border = _BORDER_PX // COARSE
    # Columns of a whose partner column (column − step) stays inside b over the whole search.
    first = max(border, math.ceil(step) + reach + border)
    end = min(columns - border, columns + math.floor(step) - reach - border)
    top, bottom = reach_rows + border, rows - reach_rows - border
    template = a.coarse[top:bottom, first:end]
    logs = a.logs[top * COARSE : bottom * COARSE, first * COARSE : end * COARSE]
    if end - first < _LEAST_COARSE or bottom - top < _LEAST_COARSE:
        return _Coarse(None, 1.0, template, logs)
    left = first - round(step) - reach
    field = b.coarse[
        top - reach_rows : bottom + reach_rows, left : left + (end - first) + 2 * reach
    ]
    threshold = _chance_score(template.size, (2 * reach + 1) * (2 * reach_rows + 1))
    peak = best_match(template, field, lobe_px=3)
    if peak is not None:
        down = (peak.rows - reach_rows) * COARSE
        across = (peak.columns + left - first) * COARSE
        peak = Peak(down, across, peak.score, peak.second)
    return _Coarse(peak, threshold, template, logs)


def _chance_score(pixels: int, shifts: int) -> float:
    """The correlation that unlike pictures reach once in 1/_CHANCE at the best of ``shifts``.

    Fisher's transformation (1915): artanh of the correlation of n independent samples is normal
    with variance 1/(n − 3); Bonferroni's bound over the independent shifts searched.
    """
    independent = pixels / _CELL_PX**2
    searched = max(shifts / _CELL_PX**2, 1.0)
    sigmas = NormalDist().inv_cdf(1 - _CHANCE / searched)
    return math.tanh(sigmas / math.sqrt(independent - 3))


def _patch_starts(first: int, end: int, size: int) -> list[int]:
    """Where at most _PATCHES patches of ``size`` begin, spread evenly over [first, end)."""
    room = end - first - size
    if room < 0:
        return []
    count = min(_PATCHES, math.ceil((end - first) / size))
    if count == 1:
        return [first + room // 2]
    return [first + round(k * room / (count - 1)) for k in range(count)]


@dataclass(frozen=True, slots=True)
class _Patches:
    """Pieces of frame a's view, all of one ``size`` (rows, columns), looked for in b.

    ``corners`` (n, 2) are their first (row, column); ``shifts`` what least squares found for each,
    None where it didn't settle; ``start`` (rows, columns) where it began.
    """

    corners: np.ndarray
    size: tuple[int, int]
    shifts: tuple[Shift | None, ...]
    start: tuple[float, float]

    def moved(self) -> FloatArray:
        """(n, 2): where b shows each, as far as that is known."""
        return np.array(
            [self.start if s is None else (s.rows, s.columns) for s in self.shifts]
        ).reshape(-1, 2)


def _refined(a: View, b: View, start: tuple[float, float], patch_px: int) -> _Patches:
    """Least-squares shifts of patches spread over the overlap."""
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
        max(min(patch_px // REDUCE, max(room // _PATCHES, _LEAST_PATCH_PX), room), 1)
        for room in (bottom - top, right - left)
    )
    thin = min(height, width) < _LEAST_PATCH_PX  # enough to judge, not to measure
    corners: list[tuple[int, int]] = []
    shifts: list[Shift | None] = []
    for row in _patch_starts(top, bottom, height):
        for column in _patch_starts(left, right, width):
            window = (row, column, height, width)
            found = None if thin else refine_shift(a.texture, b.texture, window, start)
            corners.append((row, column))
            shifts.append(found if found is not None and found.converged else None)
    places = np.array(corners, dtype=np.int64).reshape(-1, 2)
    return _Patches(places, (height, width), tuple(shifts), start)


def _as_ties(a: View, b: View, patches: _Patches, noise: NoiseModel) -> Ties:
    """The patches whose shift was found, as ties."""
    found = [(k, shift) for k, shift in enumerate(patches.shifts) if shift is not None]
    if not found:
        return Ties.join([])
    grid, count, size = a.grid, len(found), patches.size
    row, column = (patches.corners[[k for k, _ in found]] + (np.array(size) - 1) / 2).T
    rows, columns, residual = np.array([(s.rows, s.columns, s.residual) for _, s in found]).T
    log_a, log_b = (
        np.array([_mean_log(view, r, c, size) for r, c in zip(down, across, strict=True)])
        for view, down, across in ((a, row, column), (b, row + rows, column + columns))
    )
    expected = np.hypot(*(texture_noise(np.exp(log), noise) for log in (log_a, log_b)))
    covariance = np.array([shift.covariance for _, shift in found]) * grid.pitch_mm**2
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


def _mean_log(view: View, row: float, column: float, size: tuple[int, int]) -> float:
    """The mean logarithm of the gray values over a patch centred at (row, column)."""
    return float(cv2.getRectSubPix(view.logs, (size[1], size[0]), (column, row)).mean())
