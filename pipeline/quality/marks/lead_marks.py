"""Lead marks in a strip: bars across the scan that stand in a told band along the pipe.

A mark is looked for as what is darker than both its sides over the whole height of the band, so
that texture, figures and wires that only touch the band don't count.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from pipeline.model import FloatArray, Origin, Strip

_PARTS = 3  # the band is cut into so many along the pipe: a mark must show in each
_LEAST_CONTRAST = 0.05
"""Logarithm of gray values: lead 0.1 mm thick does more at any tube voltage that goes through a
pipe's wall (common practice, no published source)."""
_LEAST_SIGNIFICANCE = 6.0  # standard deviations of what else the band shows
_FLANK = 4.0  # how much wider than the mark is what it is compared with
_REACH = 3.0  # standard deviations at which the Gaussians are cut off


@dataclass(frozen=True, slots=True)
class Marks:
    """Marks in the order of their places: ``s_mm`` from the datum, ``contrast`` (logarithm of
    gray values, positive where darker); ``looked`` is the part of the strip that could show one.

    A ring's places run from 0 on once round; what its strip repeats is not looked at twice.
    """

    s_mm: FloatArray
    contrast: FloatArray
    looked: float


def band_rows(strip: Strip, z_mm: tuple[float, float]) -> slice:
    """The strip's rows whose middles lie in the band; empty where the strip doesn't reach."""
    grid = strip.grid
    low, high = ((z - grid.z_first_mm) / grid.pitch_mm for z in z_mm)
    first = min(max(int(np.ceil(low - 1e-6)), 0), grid.rows)
    return slice(first, max(min(int(np.floor(high + 1e-6)) + 1, grid.rows), first))


def find_marks(strip: Strip, z_mm: tuple[float, float], width_mm: float) -> Marks:
    """All marks about ``width_mm`` wide along the scan that run through the band ``z_mm``.

    The signal is −ln of the mean gray value over each third of the band, smoothed over the mark's
    width, less the same over four times that; a mark is where the weakest third stands out of what
    the band shows elsewhere by 6 standard deviations (from the median deviation) and by 5 %. Its
    place is the maximum of the whole band's signal, by a parabola through three columns. Where the
    band isn't covered nothing is found.
    """
    response, known = _response(strip, band_rows(strip, z_mm), width_mm)
    if not known.any():
        return Marks(np.empty(0), np.empty(0), 0.0)
    weakest = np.where(known, response.min(axis=0), -np.inf)
    usual = weakest[known]
    spread = 1.4826 * float(np.median(np.abs(usual - np.median(usual))))
    least = max(_LEAST_CONTRAST, float(np.median(usual)) + _LEAST_SIGNIFICANCE * spread)
    whole = response.mean(axis=0)
    grid = strip.grid
    reach = max(1, round(width_mm / grid.pitch_mm))
    columns = np.array(
        [c for c in np.flatnonzero(weakest >= least) if _is_peak(whole, int(c), reach, grid.ring)],
        dtype=np.int64,
    )
    at = columns + _vertex(whole, columns)
    return Marks(grid.s_first_mm + at * grid.pitch_mm, whole[columns], float(known.mean()))


def _response(strip: Strip, rows: slice, width_mm: float) -> tuple[FloatArray, np.ndarray]:
    """Contrast against both sides, (parts, columns), and where it can be known, (columns,)."""
    grid = strip.grid
    columns = grid.columns
    sigma_px = 0.5 * width_mm / grid.pitch_mm
    kernel = _kernel(sigma_px, width_mm / grid.pitch_mm)
    half = len(kernel) // 2
    covered = (strip.origin[rows, :columns] != Origin.NOT_COVERED).all(axis=0)
    if rows.start == rows.stop or not covered.any() or columns <= 2 * half:
        return np.zeros((1, columns)), np.zeros(columns, dtype=np.bool_)
    band = strip.values[rows, :columns].astype(np.float64)
    parts = np.array_split(band, min(_PARTS, len(band)))
    signal = np.stack([-np.log(np.maximum(part.mean(axis=0), 1.0)) for part in parts])
    at = np.arange(columns)
    signal = np.stack([np.interp(at, at[covered], line[covered]) for line in signal])
    mode: Literal["wrap", "edge"] = "wrap" if grid.ring else "edge"
    response = np.stack(
        [np.convolve(np.pad(line, half, mode=mode), kernel, mode="valid") for line in signal]
    )
    # Beyond the end of an arc lies nothing that is known.
    padded = np.pad(covered, half, mode="wrap") if grid.ring else np.pad(covered, half)
    near = max(1, int(np.ceil(_REACH * sigma_px)))
    holes = np.convolve(~padded, np.ones(2 * near + 1), mode="same")[half : half + columns]
    return response, holes < 0.5


def _kernel(sigma_px: float, width_px: float) -> FloatArray:
    """Narrow less wide Gaussian, odd length, sum 0; gives 1 in the middle of a bar of the width."""
    half = int(np.ceil(_REACH * _FLANK * sigma_px))
    x = np.arange(-half, half + 1, dtype=np.float64)
    narrow, wide = (np.exp(-0.5 * (x / s) ** 2) for s in (sigma_px, _FLANK * sigma_px))
    kernel = narrow / narrow.sum() - wide / wide.sum()
    bar = np.clip(0.5 * width_px + 0.5 - np.abs(x), 0.0, 1.0)
    return np.asarray(kernel / float(kernel @ bar))


def _is_peak(signal: FloatArray, column: int, reach: int, ring: bool) -> bool:
    """Whether no place within ``reach`` is higher; of equals the first is the peak."""
    near = column + np.arange(-reach, reach + 1)
    if not ring:
        near = near[(near >= 0) & (near < signal.size)]
    around = signal[near % signal.size]
    return int(near[int(np.argmax(around))]) == column


def _vertex(signal: FloatArray, columns: np.ndarray) -> FloatArray:
    """How far from its column each peak lies, in columns: the vertex of a parabola."""
    left, middle, right = (signal[(columns + d) % signal.size] for d in (-1, 0, 1))
    bend = left - 2 * middle + right
    return np.asarray(np.where(bend < 0, 0.5 * (left - right) / np.where(bend < 0, bend, 1.0), 0.0))
