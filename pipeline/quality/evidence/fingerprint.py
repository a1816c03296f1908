"""A weld's fingerprint: how attenuation goes up and down along it, in bands across its cap.

It is made so that the same weld gives nearly the same one however its strip was made: the bands lie
on the cap, where there is neither a tape nor lead (what lies beside the weld is alike on all), the
slow parts (levels, wall, beam) are taken out, strong things (wires, pores) are cut to the size of
the others, and noise averages out over a millimetre and more.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.model import FloatArray, FloatImage

PITCH_MM = 1.0
BANDS = 8
_SLOW_MM = 60.0  # longer ups and downs are levels and wall, not the weld's own
_CLIP = 3.0  # standard deviations; a lead mark counts for no more than a ripple
_SMOOTH_MM = 2.0  # over which the cap's shape across is smoothed to find it
_SAMPLES = 500  # columns that tell the shape across
_CAP = 0.3  # of its height above the wall; root beads stand higher, caps at least so high
_LEAST_HALF_MM, _MOST_HALF_MM = 3.0, 8.0  # of the part of the cap that is looked at
_LEAST_KNOWN = 0.5  # of a cell
_SHORTEST_MM = 100.0

Bools = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Fingerprint:
    """``profile`` (BANDS, n) float32: ups and downs in their standard deviations, every
    ``PITCH_MM`` along the weld, 0 where nothing is known; ``known`` (n,).

    A ring's is one turn; ``circumference_mm`` is the pipe's.
    """

    profile: FloatImage
    known: Bools
    ring: bool
    circumference_mm: float


def fingerprint(
    gray: NDArray[np.uint16],
    pitch_mm: float,
    *,
    ring: bool,
    circumference_mm: float,
) -> Fingerprint | None:
    """The fingerprint of a strip, or of an overview of it; None if it shows too little.

    ``gray`` (rows along the pipe, columns along the weld) is linear in dose, 0 where nothing is
    known; pixels are ``pitch_mm`` square, 1 mm at most. What a ring repeats past its end is left
    out.
    """
    if ring:
        gray = gray[:, : max(1, round(circumference_mm / pitch_mm))]
    length_mm = gray.shape[1] * pitch_mm
    if length_mm < _SHORTEST_MM or gray.shape[0] * pitch_mm < 2 * _LEAST_HALF_MM:
        return None
    rows = np.linspace(*_cap_px(gray, pitch_mm), BANDS + 1)
    top = max(0, math.floor(rows[0]))
    gray = gray[top : max(top + 1, math.ceil(rows[-1]))]
    rows -= top
    known = gray > 0
    dark = -np.log(np.maximum(gray, 1).astype(np.float32))
    count = round(length_mm / PITCH_MM)
    columns = np.linspace(0, gray.shape[1], count + 1)
    cells, seen = _cell_means(dark, known, rows, columns)
    profile = np.zeros_like(cells)
    for band in range(BANDS):
        profile[band] = _ups_and_downs(cells[band], seen[band], ring=ring)
    covered = seen.mean(axis=0) >= _LEAST_KNOWN
    if covered.sum() * PITCH_MM < _SHORTEST_MM:
        return None
    return Fingerprint(profile.astype(np.float32), covered, ring, circumference_mm)


def _cap_px(gray: NDArray[np.uint16], pitch_mm: float) -> tuple[float, float]:
    """From which to which row (in pixel edges) the cap lies, as the strip's usual profile across
    tells: the median along it, which knows no marks."""
    gray = gray[:, :: max(1, gray.shape[1] // _SAMPLES)]
    dark = -np.log(np.maximum(gray, 1).astype(np.float32))
    some = np.where(gray > 0, dark, np.nan)
    enough = np.isfinite(some).mean(axis=1) > _LEAST_KNOWN
    middle = dark.shape[0] / 2
    if not enough.any():
        return middle - _MOST_HALF_MM / pitch_mm, middle + _MOST_HALF_MM / pitch_mm
    across = np.full(dark.shape[0], np.nan)
    across[enough] = np.nanmedian(some[enough], axis=1)
    across = np.where(np.isfinite(across), across, np.nanmin(across))
    reach = max(1, round(_SMOOTH_MM / pitch_mm / 2))
    padded = np.pad(across, reach, mode="edge")
    smooth = np.convolve(padded, np.ones(2 * reach + 1) / (2 * reach + 1), mode="valid")
    excess = smooth - np.quantile(smooth, 0.1)
    high = excess >= _CAP * excess.max()
    first = last = int(np.argmax(excess))
    while first > 0 and high[first - 1]:
        first -= 1
    while last < len(high) - 1 and high[last + 1]:
        last += 1
    centre = (first + last + 1) / 2
    half_mm = (last + 1 - first) * pitch_mm / 2
    half_px = min(max(half_mm, _LEAST_HALF_MM), _MOST_HALF_MM) / pitch_mm
    return centre - half_px, centre + half_px


def _cell_means(
    dark: FloatImage, known: Bools, rows: FloatArray, columns: FloatArray
) -> tuple[FloatArray, Bools]:
    """Means over the cells between those edges (in pixels), and which are known well enough."""
    sums = np.where(known, dark, 0).astype(np.float64)
    counts = known.astype(np.float64)
    for axis, edges in ((0, rows), (1, columns)):
        sums = _between(sums, edges, axis)
        counts = _between(counts, edges, axis)
    area = np.outer(np.diff(rows), np.diff(columns))
    return sums / np.maximum(counts, 1e-9), counts >= _LEAST_KNOWN * area


def _between(values: FloatArray, edges: FloatArray, axis: int) -> FloatArray:
    """Sums between edges that may lie anywhere in pixels, or outside, where there is nothing."""
    total = np.cumsum(values, axis=axis)
    zero = np.zeros_like(np.take(total, [0], axis=axis))
    total = np.moveaxis(np.concatenate([zero, total], axis=axis), axis, 0)
    at = np.clip(edges, 0, len(total) - 1)
    low = np.minimum(np.floor(at).astype(np.int64), len(total) - 2)
    part = (at - low).reshape(-1, *[1] * (total.ndim - 1))
    upto = total[low] * (1 - part) + total[low + 1] * part
    return np.moveaxis(np.diff(upto, axis=0), 0, axis)


def _ups_and_downs(values: FloatArray, seen: Bools, *, ring: bool) -> FloatArray:
    """Values less their running mean, in standard deviations, strong ones cut; 0 where unseen."""
    if not seen.any():
        return np.zeros_like(values)
    reach = min(round(_SLOW_MM / PITCH_MM / 2), (len(values) - 1) // 2)
    window = np.ones(2 * reach + 1)
    sums = np.convolve(_padded(np.where(seen, values, 0), reach, ring=ring), window, mode="valid")
    counts = np.convolve(_padded(seen.astype(np.float64), reach, ring=ring), window, mode="valid")
    fast = np.where(seen, values - sums / np.maximum(counts, 1), 0)
    spread = 1.4826 * float(np.median(np.abs(fast[seen])))
    if spread <= 0:
        return np.zeros_like(values)
    return np.clip(fast / spread, -_CLIP, _CLIP)


def _padded(values: FloatArray, reach: int, *, ring: bool) -> FloatArray:
    """With so many more values at both ends: the other end's of a ring, else 0."""
    return np.pad(values, reach, mode="wrap") if ring else np.pad(values, reach)
