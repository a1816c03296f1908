"""How something contrasts with the metal beside it: the background that is expected at its place.

A weld is alike along itself: what a row usually shows to the left and right, and a column above and
below, adds up to what is expected between them.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from pipeline.model import FloatImage, Origin, StripGrid

_ROUNDS = 2  # of rows and columns in turn; more change nothing that noise leaves

Mask = NDArray[np.bool_]
_Pixel = TypeVar("_Pixel", bound=np.generic)


@dataclass(frozen=True, slots=True)
class Region:
    """Rows and columns [first, end) of a strip; on a ring columns may lie past its ends."""

    rows: tuple[int, int]
    columns: tuple[int, int]

    def shifted(self, columns: int) -> Region:
        """The same, so many columns further along the strip."""
        first, end = self.columns
        return Region(self.rows, (first + columns, end + columns))

    def grown(self, pixels: int, grid: StripGrid) -> Region:
        """Larger by so many pixels all round, within the strip's rows and an arc's columns."""
        top, bottom = max(self.rows[0] - pixels, 0), min(self.rows[1] + pixels, grid.rows)
        left, right = self.columns[0] - pixels, self.columns[1] + pixels
        if not grid.ring:
            left, right = max(left, 0), min(right, grid.columns)
        return Region((top, bottom), (left, right))

    def cut(self, image: NDArray[_Pixel], grid: StripGrid) -> NDArray[_Pixel]:
        """This part of an image of the strip's size."""
        columns = np.arange(*self.columns)
        columns = columns % grid.columns if grid.ring else columns
        return np.asarray(image[slice(*self.rows)][:, columns])


@dataclass(frozen=True, slots=True)
class Patch:
    """A region with what lies around it; images (rows, columns) of ``outer``.

    ``signal`` is ln(gray value / background), 0 where nothing is known. ``inside`` is true in the
    region itself, ``known`` where gray values are. ``background_gv`` is the region's mean
    background.
    """

    outer: Region
    signal: FloatImage
    known: Mask
    inside: Mask
    background_gv: float

    @property
    def region_column(self) -> int:
        """The patch's column in which the region begins."""
        return int(np.argmax(self.inside.any(axis=0)))


def cut_patch(
    values: NDArray[np.uint16],
    origin: NDArray[np.uint8] | None,
    grid: StripGrid,
    region: Region,
    *,
    slack_px: int,
    around_px: int,
) -> Patch | None:
    """The region's contrast with what lies from ``slack_px`` to ``around_px`` beside it.

    ``values`` (rows, columns) is linear in dose, 0 where nothing is known. None where less than
    half of what lies around, or nothing of the region, is known.
    """
    outer = region.grown(around_px, grid)
    gray = outer.cut(values, grid)
    known: Mask = gray > 0
    if origin is not None:
        known &= outer.cut(origin, grid) != Origin.NOT_COVERED
    inside, near = (_within(outer, one) for one in (region, region.grown(slack_px, grid)))
    beside = ~near
    if not (inside & known).any() or 2 * (known & beside).sum() < max(beside.sum(), 1):
        return None
    logs = np.log(np.maximum(gray.astype(np.float32), 1.0))
    background = two_way_background(np.where(known & beside, logs, np.nan))
    left = np.where(known & beside, logs - background, np.nan)
    background += bridge_across(left, np.flatnonzero(near.any(axis=1)), slack_px)
    signal = np.where(known, logs - background, np.float32(0))
    return Patch(
        outer,
        signal,
        known,
        inside,
        float(np.exp(background[inside & known]).mean(dtype=np.float64)),
    )


def two_way_background(logs: FloatImage) -> FloatImage:
    """A value a row plus a value a column, by medians in turn, for every pixel; unknowns are NaN.

    Rows and columns without a known pixel get what lies between their neighbours'. NaN nowhere, 0
    everywhere when nothing is known.
    """
    rows = np.zeros((logs.shape[0], 1), dtype=np.float32)
    columns = np.zeros((1, logs.shape[1]), dtype=np.float32)
    for _ in range(_ROUNDS):
        rows = _bridged(_medians(logs - columns, axis=1))[:, np.newaxis]
        columns = _bridged(_medians(logs - rows, axis=0))[np.newaxis, :]
    return np.asarray(rows + columns, dtype=np.float32)


def bridge_across(left: FloatImage, near: NDArray[np.int64], reach_px: int) -> FloatImage:
    """What the rows next to ``near`` leave, drawn straight across those, column by column.

    ``left`` (rows, columns), NaN where unknown, is what rows and columns together don't explain,
    such as an edge that wanders. The mean of up to ``2 * reach_px`` rows on each side counts,
    smoothed over as many columns; 0 in all other rows.
    """
    import cv2  # noqa: PLC0415

    bridge = np.zeros_like(left)
    first, end = int(near[0]), int(near[-1]) + 1
    sides = []
    for rows in (slice(max(first - 2 * reach_px, 0), first), slice(end, end + 2 * reach_px)):
        part = left[rows]
        known = np.isfinite(part)
        total, weight = (
            cv2.GaussianBlur(line[np.newaxis, :].astype(np.float32), (0, 0), 2 * reach_px)[0]
            for line in (np.where(known, part, 0).sum(axis=0), known.sum(axis=0))
        )
        sides.append(np.where(weight > 0, total / np.maximum(weight, 1e-6), np.nan))
    above, below = (np.where(np.isfinite(a), a, b) for a, b in (sides, sides[::-1]))
    share = ((np.arange(first, end) - first + 0.5) / (end - first))[:, np.newaxis]
    bridge[first:end] = np.nan_to_num((1 - share) * above + share * below)
    return bridge


def _within(outer: Region, region: Region) -> Mask:
    """True in the part of ``outer`` that is in ``region``."""
    rows, columns = (
        (np.arange(*whole) >= part[0]) & (np.arange(*whole) < part[1])
        for whole, part in ((outer.rows, region.rows), (outer.columns, region.columns))
    )
    return rows[:, np.newaxis] & columns


def _medians(values: FloatImage, axis: int) -> FloatImage:
    """Medians along the axis without the NaNs; NaN where there is nothing else."""
    lines = np.sort(values if axis == 1 else values.T, axis=1)  # NaNs come last
    count = np.isfinite(lines).sum(axis=1)
    at = np.arange(len(lines))
    low = lines[at, np.maximum(count - 1, 0) // 2]
    high = lines[at, np.minimum(count // 2, np.maximum(count - 1, 0))]
    return np.where(count > 0, 0.5 * (low + high), np.nan)


def _bridged(line: FloatImage) -> FloatImage:
    """The line with what lies between its known values where it is NaN."""
    known = np.flatnonzero(np.isfinite(line))
    if not known.size:
        return np.zeros_like(line)
    return np.interp(np.arange(line.size), known, line[known]).astype(np.float32)
