"""Where the weld's cap lies in a strip: centre line and width along it, with uncertainty.

The cap is thicker than the wall on both sides, so the strip is darker there. At places along the
strip the profile across the weld is taken, the median along it: marks, wires and figures in less
than half of a place's length don't count. To the profile a cap of rounded shape is fitted, with a
root bead in its middle, on a straight base line.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.model import FloatArray, Origin, StripGrid
from pipeline.quality.noise.block_means import block_means
from pipeline.quality.noise.cap_fit import CapFit, choose_form, find_caps, fit_caps
from pipeline.quality.noise.known_medians import known_medians

_BIN_MM = 0.4  # along z: caps are 6 mm wide and more
_SMOOTH_MM = 110.0  # along s: the length whose typical profile tells where to begin
_LEAST_COVERED = 0.5  # of a place's length
_LEAST_SIGNIFICANCE = 5.0  # standard deviations that a cap stands out by
_LEAST_SHOWN = 0.5  # of the bins across
_NEIGHBOURS = 5  # places to each side
_MOST_AGREE = 0.5  # of the neighbours: noise and stains make a cap here and there
_STRAY = 0.5  # of the half width: so far off its neighbours a cap is another thing
_FEWEST_BINS = 12  # across a strip that may show a weld


@dataclass(frozen=True, slots=True)
class WeldLine:
    """The cap at places along the strip; all arrays (n,), ``s_mm`` ascending.

    ``z_mm`` is its centre, ``half_width_mm`` half its width at the toes, both with standard
    deviations. Where ``seen`` is false no cap stands out, and the others are NaN.
    """

    s_mm: FloatArray
    z_mm: FloatArray
    z_sigma_mm: FloatArray
    half_width_mm: FloatArray
    half_width_sigma_mm: FloatArray
    seen: NDArray[np.bool_]

    def at(self, s_mm: float) -> tuple[float, float] | None:
        """(centre, half width) in mm at a place: between the two nearest ones seen, or the nearest.

        None where the weld isn't seen at all.
        """
        if not self.seen.any():
            return None
        known = self.s_mm[self.seen]
        centre = np.interp(s_mm, known, self.z_mm[self.seen])
        return float(centre), float(np.interp(s_mm, known, self.half_width_mm[self.seen]))


def find_weld_line(
    values: NDArray[np.uint16],
    origin: NDArray[np.uint8] | None,
    grid: StripGrid,
    *,
    every_mm: float = 10.0,
) -> WeldLine:
    """Centre line and width of the cap, every ``every_mm`` along the strip, a ring's only once.

    ``values`` (rows, columns) is linear in dose; what ``origin`` calls not covered, and gray values
    of 0, don't count. Seen is a cap that stands out by 5 standard deviations, has wall on both
    sides within the strip, and lies as its neighbours do within half its half width; and more
    than half of these, up to 5 to each side, must be seen too.

    A place's standard deviation is what the fit's residuals tell, alike side by side as they are,
    but at least what usually lies between a place and the line through its neighbours: the toes
    wander within a place too.
    """
    length = grid.columns * grid.pitch_mm
    count = max(1, round(length / every_mm))
    s_mm = grid.s_first_mm + (np.arange(count) + 0.5) * length / count
    z_mm, profiles = _profiles(values, origin, grid, count)
    if len(z_mm) < _FEWEST_BINS:
        nothing = np.full(count, math.nan)
        unseen = np.zeros(count, dtype=np.bool_)
        return WeldLine(s_mm, nothing, nothing, nothing, nothing, unseen)
    smooth = _typical(profiles, max(1, round(_SMOOTH_MM / every_mm / 2)), ring=grid.ring)
    begun = find_caps(z_mm, smooth)
    form = choose_form(z_mm, profiles, begun)
    fits = fit_caps(z_mm, profiles, begun, [form] * count)
    shown = np.isfinite(profiles).mean(axis=1) >= _LEAST_SHOWN
    return _as_line(s_mm, fits, z_mm, shown, ring=grid.ring)


def _profiles(
    values: NDArray[np.uint16],
    origin: NDArray[np.uint8] | None,
    grid: StripGrid,
    count: int,
) -> tuple[FloatArray, FloatArray]:
    """z of the bins, and −ln of the typical gray value there at every place (count, bins).

    The median over blocks as long as a bin is high. NaN where too little is covered.
    """
    size = max(1, round(_BIN_MM / grid.pitch_mm))
    values = values[:, : grid.columns]
    known = values > 0
    if origin is not None:
        known &= origin[:, : grid.columns] != Origin.NOT_COVERED
    means, whole = block_means(values, known, size)
    bins, blocks = means.shape
    middle_px = (np.arange(bins, dtype=np.float64) + 0.5) * size - 0.5
    z_mm = np.asarray(grid.z_first_mm + middle_px * grid.pitch_mm)
    if not blocks:
        return z_mm, np.full((count, bins), np.nan)
    dark = -np.log(np.maximum(means, np.float32(1e-3)))
    dark[~whole] = np.nan
    edges = np.rint(np.linspace(0, blocks, count + 1)).astype(np.int64)
    first, length = edges[:-1, np.newaxis], np.diff(edges)[:, np.newaxis]
    at = np.arange(int(length.max()))
    columns = np.minimum(first + at, blocks - 1)
    profiles = np.where(at < length, dark[:, columns], np.float32(np.nan))
    least = np.maximum(1, np.ceil(_LEAST_COVERED * length[:, 0]).astype(np.int64))
    return z_mm, known_medians(profiles, least).T


def _typical(profiles: FloatArray, reach: int, *, ring: bool) -> FloatArray:
    """The running median over ±reach places, so that what stands there only once is gone."""
    count = len(profiles)
    reach = min(reach, (count - 1) // 2)
    padded = np.pad(profiles, ((reach, reach), (0, 0)), mode="wrap" if ring else "edge")
    windows = np.lib.stride_tricks.sliding_window_view(padded, 2 * reach + 1, axis=0)
    return known_medians(windows)


def _as_line(
    s_mm: FloatArray,
    fits: list[CapFit | None],
    z_mm: FloatArray,
    shown: NDArray[np.bool_],
    *,
    ring: bool,
) -> WeldLine:
    """The fits that stand out and agree with their neighbours, where most of these do so too.

    ``shown``: places of which the strip shows enough; the others aren't missed.
    """
    told = np.full((4, len(s_mm)), np.nan)
    for place, fit in enumerate(fits):
        if fit is None or not fit.height > _LEAST_SIGNIFICANCE * fit.height_sigma:
            continue
        if not z_mm[0] < fit.centre_mm - fit.half_width_mm < fit.centre_mm < z_mm[-1]:
            continue
        if fit.centre_mm + fit.half_width_mm >= z_mm[-1]:
            continue
        told[:, place] = (
            fit.centre_mm,
            fit.half_width_mm,
            fit.centre_sigma_mm,
            fit.half_width_sigma_mm,
        )
    usual = _typical(told[:2].T, _NEIGHBOURS, ring=ring).T
    slack = _STRAY * usual[1]
    with np.errstate(invalid="ignore"):
        seen = (np.abs(told[:2] - usual) <= slack).all(axis=0)
    seen &= _about(seen, ring=ring) > _MOST_AGREE * _about(shown, ring=ring)
    told[:, ~seen] = math.nan
    centre, half_width, centre_sigma, half_width_sigma = told
    centre_sigma = np.maximum(centre_sigma, _scatter(centre))
    half_width_sigma = np.maximum(half_width_sigma, _scatter(half_width))
    return WeldLine(s_mm, centre, centre_sigma, half_width, half_width_sigma, seen)


def _about(places: NDArray[np.bool_], *, ring: bool) -> NDArray[np.int64]:
    """How many of the places within reach of each are true."""
    reach = min(_NEIGHBOURS, (len(places) - 1) // 2) if ring else _NEIGHBOURS
    padded = np.pad(places, reach, mode="wrap") if ring else np.pad(places, reach)
    windows = np.lib.stride_tricks.sliding_window_view(padded, 2 * reach + 1)
    return np.asarray(windows.sum(axis=1))


def _scatter(along: FloatArray) -> float:
    """The usual standard deviation of a value about the line through its neighbours; 0 where too
    few are known to tell."""
    bent = along[:-2] - 2 * along[1:-1] + along[2:]
    known = bent[np.isfinite(bent)]
    return 1.4826 * float(np.median(np.abs(known))) / math.sqrt(6) if len(known) > 4 else 0.0
