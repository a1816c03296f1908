"""What two overlapping frames say about each other: ties between points of their panels."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from pipeline.calibration.product import NoiseModel
from pipeline.kernels.correlation import Peak
from pipeline.kernels.told_moments import told_moments
from pipeline.model import FloatArray
from pipeline.stages.agreement import Agreement, judge, texture_noise
from pipeline.stages.coarse import LOBE, Coarse, coarse_shift, repeats
from pipeline.stages.own_pattern import is_pattern
from pipeline.stages.patches import Patches, refine_patches
from pipeline.stages.views import COARSE, View

TOO_SMALL = "the overlap is too small to compare"
_BLANK = "blank overlap"
_OWN_PATTERN = "only what the panel itself shows is alike, or the carriage stood still"
_DEGREES = np.array([1, 1, 2, 2, 2])  # of z, s, z², s·z, s²
_PLAIN = 1.25  # how far a true match must be expected above chance before its absence counts


@dataclass(frozen=True, slots=True)
class Ties:
    """Pairs of surface points that two frames show alike; arrays have one entry a tie.

    ``a`` and ``b`` are frame numbers; (s, z) the points in mm in each frame's own unrolled copy;
    ``covariance`` (n, 2, 2) of the shift, mm², in the order (s, z); ``log_ratio`` how much brighter
    b shows the place than a, natural logarithm; ``residual`` the disagreement left in units of
    what noise alone would leave (about 1).

    A tie's shift is a mean over a patch: of z, s, z², s·z, s², mm from the tie's place in a, by
    what tells the shift along s and along z, ``moments`` (n, 2, 5) are the means; ``bent_mm`` (n,
    2) is what the bend that it was measured with made of these.
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
    moments: FloatArray
    bent_mm: FloatArray

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
            return Ties(
                *(index, index, empty, empty, empty, empty, np.empty((0, 2, 2)), empty, empty),
                *(np.empty((0, 2, 5)), np.empty((0, 2))),
            )
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
    pattern: float | None = 0.0,
) -> Link:
    """Find how b lies against a: b's position is about ``step_mm`` beyond a's, ± ``search_mm``.

    ``pattern`` is the variance of what the panel itself shows in every frame (see
    ``pattern_variance``; None: not known): a match at the same place of the panel counts only if it
    is more than that, unless the frames are said to lie on each other.

    Where the overlap holds structure enough, its blocks decide whether it is the same metal (see
    ``judge``); else the coarse correlation must stand out from chance. A link without ties says
    why.
    """
    pitch = a.grid.pitch_mm
    place = step_mm / pitch, search_mm / pitch, axial_search_mm / pitch
    link, misled = _attempt(a, b, place, patch_px, noise, pattern)
    if misled:
        # What stands out most may be what moved: once more without that.
        other, _ = _attempt(a, b, place, patch_px, noise, pattern, tame=True)
        return other if len(other.ties) else link
    return link


def _attempt(
    a: View,
    b: View,
    place: tuple[float, float, float],
    patch_px: int,
    noise: NoiseModel,
    pattern: float | None,
    *,
    tame: bool = False,
) -> tuple[Link, bool]:
    """See ``compare``; and whether a match was found that the blocks don't confirm.

    ``place``: the expected step, how far to search beside it, and along the pipe, view pixels.
    """
    known = pattern or 0.0
    coarse = coarse_shift(a, b, *place, tame=tame)
    peak, step, ties, differs = coarse.peak, None, Ties.join([]), False
    own = misled = False
    if _at_rest(peak) and abs(place[0]) > LOBE * COARSE and is_pattern(a, b, pattern):
        # The metal's own match may lie beside it.
        coarse = coarse_shift(a, b, *place, at_rest=False, tame=tame)
        peak = coarse.peak
        own = peak is None or peak.score < coarse.threshold
    if own:
        reason = _OWN_PATTERN
    elif peak is None:
        reason = TOO_SMALL if coarse.threshold >= 1 else _BLANK
    else:
        patches = refine_patches(a, b, (peak.rows, peak.columns), patch_px)
        agreement = judge(a, b, patches.corners, patches.size, patches.moved(), noise, known)
        reason, differs = _why_not(agreement, peak, coarse, noise, known)
        misled = agreement.share is not None and not agreement.same
        if not reason:
            ties = _as_ties(a, b, patches, noise)
            if len(ties):
                step = float(np.median(ties.s_a - ties.s_b))
            else:
                reason = "no patch of the overlap holds structure that tells a shift"
    score = 0.0 if peak is None else peak.score
    link = Link(a.frame, b.frame, step, score, coarse.threshold, reason, ties, differs)
    return link, misled


def _at_rest(peak: Peak | None) -> bool:
    """Whether the match lies where the panel's own pattern would."""
    return peak is not None and max(abs(peak.rows), abs(peak.columns)) <= LOBE * COARSE


def _why_not(
    agreement: Agreement, peak: Peak, coarse: Coarse, noise: NoiseModel, pattern: float
) -> tuple[str, bool]:
    """Why the match isn't one ("" if it is), and whether the pictures plainly differ."""
    told = f"{agreement.agreeing} of {agreement.structured} structured places agree"
    found = peak.score >= coarse.threshold
    if agreement.share is not None and agreement.same is None:
        return f"they show the same only in part ({told})", False
    # What is searched may be blank though there is structure beside it: then the match was
    # chance's, and the blocks stand at the wrong place.
    if agreement.same is False and (
        found or coarse.expected_score(noise, pattern) > _PLAIN * coarse.threshold
    ):
        return f"they show different things ({told})", True
    if found and repeats(peak, coarse.template.size):
        return (
            f"the texture repeats itself (correlation {peak.score:.2f} and, elsewhere, "
            f"{peak.second:.2f})",
            False,
        )
    if not found and not agreement.same:
        return f"{_BLANK} (correlation {peak.score:.2f}, needs {coarse.threshold:.2f})", False
    return "", False


def _as_ties(a: View, b: View, patches: Patches, noise: NoiseModel) -> Ties:
    """The patches whose shift was found, as ties."""
    found = [(k, shift) for k, shift in enumerate(patches.shifts) if shift is not None]
    if not found:
        return Ties.join([])
    grid, count, size = a.grid, len(found), patches.size
    corners = patches.corners[[k for k, _ in found]]
    rows, columns, residual = np.array([(s.rows, s.columns, s.residual) for _, s in found]).T
    log_a = np.array([_mean_log(a, corner, size) for corner in corners])
    log_b = np.array(
        [
            _mean_log_between(b, r, c, size)
            for r, c in (corners + (np.array(size) - 1) / 2 + np.stack([rows, columns], axis=1))
        ]
    )
    expected = np.hypot(*(texture_noise(np.exp(log), noise) for log in (log_a, log_b)))
    covariance = np.array([shift.covariance for _, shift in found]) * grid.pitch_mm**2
    row, column = np.array([shift.at for _, shift in found]).T
    moments = np.array(
        [
            told_moments(
                a.texture,
                b.texture,
                (int(corner[0]), int(corner[1]), *size),
                (shift.rows, shift.columns),
                shift.at,
            )
            for corner, (_, shift) in zip(corners, found, strict=True)
        ]
    )
    bent = np.sum(moments * np.array([patches.bend_about(*shift.at) for _, shift in found]), axis=2)
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
        moments=moments[:, ::-1] * grid.pitch_mm**_DEGREES,
        bent_mm=bent[:, ::-1] * grid.pitch_mm,
    )


def _mean_log(view: View, corner: np.ndarray, size: tuple[int, int]) -> float:
    """The mean logarithm of the gray values over a patch."""
    row, column = corner
    return cv2.mean(view.logs[row : row + size[0], column : column + size[1]])[0]


def _mean_log_between(view: View, row: float, column: float, size: tuple[int, int]) -> float:
    """The same over a patch that is centred at (row, column), anywhere between the pixels."""
    return cv2.mean(cv2.getRectSubPix(view.logs, (size[1], size[0]), (column, row)))[0]
