"""Two strips of the same frames, pixel by pixel: how far apart, where, and what bad pixels did."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.model import FlagImage, Origin, RawImage, StripGrid

_CELLS_LONG = 1000  # cells along the strip, at most
_BLOCK_CELLS = 8  # rows of cells worked on at once
_SAME_PITCH = 1e-6
_FEWEST = 0.25  # of a cell's pixels that must be comparable


@dataclass(frozen=True, slots=True)
class StripArrays:
    """A strip with its maps: values, predicted noise in steps of ``sigma_scale`` gray values, how
    many frames measured each pixel, and its origin."""

    grid: StripGrid
    values: RawImage
    sigma: RawImage
    sigma_scale: float
    count: FlagImage
    origin: FlagImage


@dataclass(frozen=True, slots=True)
class PixelChange:
    """Differences new − old, in units of the old strip's predicted noise σ of a pixel.

    ``level`` is the median of new / old − 1, which is taken out of all others. ``rms`` is over all
    pixels that both measured; ``rms_touched`` and ``rms_untouched`` over those that more or fewer
    frames measured than before (bad pixels that came or went, frames in another place), and over
    the others. The worst cell is the one of ``cell_mm`` whose mean differs most. ``filled`` and
    ``not_covered`` are pixels, old and new; ``filled_new`` weren't filled before.
    """

    level: float
    rms: float
    equal: float
    rms_touched: float | None
    rms_untouched: float | None
    fewer_frames: int
    more_frames: int
    filled: tuple[int, int]
    filled_new: int
    not_covered: tuple[int, int]
    cell_mm: float
    worst_cell: float
    worst_s_mm: float
    worst_z_mm: float


@dataclass(frozen=True, slots=True)
class Cells:
    """Mean differences in σ (NaN: nothing to compare) of square cells, rows along the pipe."""

    means: NDArray[np.float32]
    side_px: int


def compare_pixels(old: StripArrays, new: StripArrays) -> tuple[PixelChange, Cells] | None:
    """How far two strips of one weld are apart where both lie; None where their pixels can't be
    laid on each other: another pitch, or nothing in common."""
    shared = _shared(old.grid, new.grid, old.values.shape, new.values.shape)
    if shared is None:
        return None
    first, second = shared
    a, b = _cut(old, first), _cut(new, second)
    rows, columns = a.values.shape
    side = max(1, math.ceil(columns / _CELLS_LONG))
    level = _level(a, b)
    sums = _Sums()
    means = np.full((math.ceil(rows / side), math.ceil(columns / side)), np.nan, np.float32)
    for top in range(0, rows, _BLOCK_CELLS * side):
        part = slice(top, min(top + _BLOCK_CELLS * side, rows))
        block = _differences(_rows(a, part), _rows(b, part), level, sums)
        at = top // side
        found = _cell_means(block, side)
        means[at : at + len(found)] = found
    pitch = old.grid.pitch_mm
    i, j = _worst(means)
    z_first = old.grid.z_first_mm + first[0].start * pitch
    s_first = old.grid.s_first_mm + first[1].start * pitch
    value = float(means[i, j])
    change = PixelChange(
        level=level,
        rms=sums.rms(),
        equal=sums.equal / max(rows * columns, 1),
        rms_touched=sums.rms_of(touched=True),
        rms_untouched=sums.rms_of(touched=False),
        fewer_frames=sums.fewer,
        more_frames=sums.more,
        filled=tuple(int((one.origin == Origin.FILLED).sum()) for one in (a, b)),  # type: ignore[arg-type]
        filled_new=int(((b.origin == Origin.FILLED) & (a.origin != Origin.FILLED)).sum()),
        not_covered=tuple(  # type: ignore[arg-type]
            int((one.origin == Origin.NOT_COVERED).sum()) for one in (a, b)
        ),
        cell_mm=side * pitch,
        worst_cell=value if math.isfinite(value) else 0.0,
        worst_s_mm=s_first + (j + 0.5) * side * pitch,
        worst_z_mm=z_first + (i + 0.5) * side * pitch,
    )
    return change, Cells(means, side)


class _Sums:
    """Squares and counts over all blocks."""

    def __init__(self) -> None:
        self.square = {True: 0.0, False: 0.0}
        self.pixels = {True: 0, False: 0}
        self.fewer = self.more = self.equal = 0

    def rms(self) -> float:
        pixels = sum(self.pixels.values())
        return math.sqrt(sum(self.square.values()) / pixels) if pixels else 0.0

    def rms_of(self, *, touched: bool) -> float | None:
        pixels = self.pixels[touched]
        return math.sqrt(self.square[touched] / pixels) if pixels else None


def _shared(
    old: StripGrid, new: StripGrid, old_shape: tuple[int, ...], new_shape: tuple[int, ...]
) -> tuple[tuple[slice, slice], tuple[slice, slice]] | None:
    """The rows and columns of both that lie on each other."""
    if not math.isclose(old.pitch_mm, new.pitch_mm, rel_tol=_SAME_PITCH):
        return None
    found = []
    for axis, (a_mm, b_mm) in enumerate(
        ((old.z_first_mm, new.z_first_mm), (old.s_first_mm, new.s_first_mm))
    ):
        offset = round((b_mm - a_mm) / old.pitch_mm)
        length = min(old_shape[axis] - max(offset, 0), new_shape[axis] - max(-offset, 0))
        if length <= 0:
            return None
        a, b = max(offset, 0), max(-offset, 0)
        found.append((slice(a, a + length), slice(b, b + length)))
    (rows_a, rows_b), (columns_a, columns_b) = found
    return (rows_a, columns_a), (rows_b, columns_b)


def _cut(one: StripArrays, part: tuple[slice, slice]) -> StripArrays:
    return StripArrays(
        one.grid,
        one.values[part],
        one.sigma[part],
        one.sigma_scale,
        one.count[part],
        one.origin[part],
    )


def _rows(one: StripArrays, part: slice) -> StripArrays:
    return _cut(one, (part, slice(None)))


def _both_measured(a: StripArrays, b: StripArrays) -> NDArray[np.bool_]:
    good: NDArray[np.bool_] = (a.origin == Origin.MEASURED) & (b.origin == Origin.MEASURED)
    return good


def _level(a: StripArrays, b: StripArrays) -> float:
    """The median of new / old − 1 over a regular sample of about a million pixels."""
    step = max(1, math.isqrt(a.values.size // 1_000_000))
    old, new = (one.values[::step, ::step].astype(np.float64) for one in (a, b))
    good = (old > 0) & (a.origin[::step, ::step] == Origin.MEASURED)
    good &= b.origin[::step, ::step] == Origin.MEASURED
    return float(np.median(new[good] / old[good]) - 1) if good.any() else 0.0


def _differences(a: StripArrays, b: StripArrays, level: float, sums: _Sums) -> NDArray[np.float32]:
    """The block's differences in σ, NaN where not both measured; adds to the sums."""
    good = _both_measured(a, b)
    sigma = np.maximum(a.sigma.astype(np.float32) * np.float32(a.sigma_scale), np.float32(0.5))
    apart = (b.values.astype(np.float32) / np.float32(1 + level) - a.values) / sigma
    found: NDArray[np.float32] = np.where(good, apart, np.float32(np.nan))
    fewer, more = b.count < a.count, b.count > a.count
    for touched, where in ((True, good & (fewer | more)), (False, good & ~(fewer | more))):
        chosen = found[where].astype(np.float64)
        sums.square[touched] += float(chosen @ chosen)
        sums.pixels[touched] += chosen.size
    sums.fewer += int(fewer.sum())
    sums.more += int(more.sum())
    sums.equal += int((a.values == b.values).sum())
    return found


def _cell_means(block: NDArray[np.float32], side: int) -> NDArray[np.float32]:
    rows, columns = block.shape
    padded = np.full(
        (math.ceil(rows / side) * side, math.ceil(columns / side) * side), np.nan, np.float32
    )
    padded[:rows, :columns] = block
    cells = padded.reshape(padded.shape[0] // side, side, padded.shape[1] // side, side)
    good = np.isfinite(cells)
    count = good.sum(axis=(1, 3))
    total = np.where(good, cells, 0).sum(axis=(1, 3), dtype=np.float64)
    enough = count >= max(1, _FEWEST * side * side)
    means: NDArray[np.float32] = np.where(enough, total / np.maximum(count, 1), np.nan).astype(
        np.float32
    )
    return means


def _worst(means: NDArray[np.float32]) -> tuple[int, int]:
    known = np.where(np.isfinite(means), np.abs(means), -1)
    i, j = np.unravel_index(int(known.argmax()), known.shape)
    return int(i), int(j)
