"""Where the noise is measured: windows of plain metal beside the weld, found by themselves.

On both sides of the cap, every so many millimetres along it, the window of the size that the
standard wants is laid as near to the toe as plain metal allows: once in the heat-affected zone and
once in the base metal beyond. Plain is what is measured (nothing filled in, nothing uncovered) and
shows neither gauge nor tape, neither figure nor anything else that stands out of the noise.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from pipeline.model import FloatImage, Origin, StripGrid
from pipeline.quality.noise.block_means import block_means
from pipeline.quality.noise.weld_line import WeldLine

_BACKGROUND_MM = 4.0  # detail larger than this is shading
_LINE_MM = 4.0  # so long a piece of a wire is summed up to find it
_STANDS_OUT = 5.0  # standard deviations of what the metal shows elsewhere
_AROUND_MM = 0.4  # left free round what stands out
_TOGETHER_MM = 120.0  # judged together, so that a figure or a gauge is the smaller part of it
_BLOCK_MM = 0.2  # what is looked at; the finest that is looked for is a spot of 0.3 mm
_SPOT_MM = 0.3
_BAND_MM = 1.6  # across the weld, judged together
_SAMPLE = 4  # columns: so few tell what is usual, and of the rows every other one
_STEP_MM = 0.4  # grid of places that are tried
_AT_ONCE = 4  # distances from the toe
_WORTH_MM = 0.5  # by which a less compact window must be nearer to the toe
_LONGEST = 4  # groups side by side: where there is little room across, windows are longer


class Zone(StrEnum):
    """Which metal a window shows."""

    HEAT_AFFECTED = "heat_affected"
    BASE = "base"


@dataclass(frozen=True, slots=True)
class WindowPlan:
    """Which windows are looked for.

    A window has at least ``groups`` groups of ``group`` pixels along the scan, and each zone at
    most one every ``every_mm``, ``toe_gap_mm`` or more from the cap's toe. Up to ``zone_mm`` from
    the toe is heat-affected zone, beyond it, up to ``reach_mm``, base metal.
    """

    groups: int
    group: int
    every_mm: float
    toe_gap_mm: float = 1.0
    zone_mm: float = 8.0
    reach_mm: float = 30.0

    def shapes(self) -> list[tuple[int, int]]:
        """(rows, columns) of the windows that will do, the most compact first."""
        return [
            (-(-self.groups // side), side * self.group)
            for side in sorted(range(1, _LONGEST + 1), key=lambda side: (side != 2, side))
        ]


@dataclass(frozen=True, slots=True)
class Window:
    """A window of the strip: rows and columns [first, end), its middle in mm, and where it lies.

    ``side`` is 1 on the weld's side of larger z, −1 on the other; ``toe_mm`` from the toe to the
    window's nearest row.
    """

    rows: tuple[int, int]
    columns: tuple[int, int]
    s_mm: float
    z_mm: float
    side: int
    zone: Zone
    toe_mm: float

    @property
    def pixels(self) -> tuple[slice, slice]:
        """What cuts the window from an image of the strip's size."""
        return slice(*self.rows), slice(*self.columns)

    @property
    def order(self) -> tuple[int, int]:
        """Sorts windows along the strip, then along the pipe."""
        return self.columns[0], self.rows[0]


def place_windows(
    values: NDArray[np.uint16],
    origin: NDArray[np.uint8] | None,
    grid: StripGrid,
    weld: WeldLine,
    plan: WindowPlan,
) -> tuple[Window, ...]:
    """All windows, along the strip, each side and zone for itself; none where the weld isn't known.

    ``values`` (rows, columns) is linear in dose, 0 where nothing is known; ``origin`` as the
    strip's map, or None if there is none. No window crosses a ring's datum.
    """
    length = grid.columns * grid.pitch_mm
    count = max(1, round(length / plan.every_mm))
    edges = np.rint(np.linspace(0, grid.columns, count + 1)).astype(np.int64).tolist()
    together = max(1, round(_TOGETHER_MM / plan.every_mm))
    size = max(1, round(_BLOCK_MM / grid.pitch_mm))
    found: list[Window] = []
    for begin in range(0, count, together):
        places = list(pairwise(edges[begin : begin + together + 1]))
        wide = _TOGETHER_MM / 2 / grid.pitch_mm  # so that the last few places don't stand alone
        low = max(0, min(places[0][0], round(places[-1][1] - wide)))
        high = places[-1][1]
        where = weld.at(grid.s_first_mm + (low + high - 1) / 2 * grid.pitch_mm)
        if where is None:
            continue
        rows, columns = _rows_near(grid, where, plan), slice(low, high)
        known = values[rows, columns] > 0
        if origin is not None:
            known &= origin[rows, columns] == Origin.MEASURED
        means, whole = block_means(values[rows, columns], known, size)
        ground = _Ground(_not_plain(means, whole, size * grid.pitch_mm), rows.start, low, size)
        for first, end in places:
            found += _at_place(ground, grid, (first, end), weld, plan)
    return tuple(found)


@dataclass(frozen=True, slots=True)
class _Ground:
    """What isn't plain, as sums over all blocks of ``size`` pixels above and before, (rows + 1,
    columns + 1); the first block begins at pixel (``top``, ``left``) of the strip."""

    sums: NDArray[np.int64]
    top: int
    left: int
    size: int

    def plain(
        self, top: NDArray[np.int64], rows: int, left: NDArray[np.int64], columns: int
    ) -> NDArray[np.bool_]:
        """Of windows at all ``top`` with all ``left``: whether every block they touch is plain."""
        low, high, above = self._blocks(top - self.top, rows, self.sums.shape[0])
        first, last, before = self._blocks(left - self.left, columns, self.sums.shape[1])
        low, high = low[:, np.newaxis], high[:, np.newaxis]
        odd = (
            self.sums[high, last]
            - self.sums[low, last]
            - self.sums[high, first]
            + self.sums[low, first]
        )
        return np.asarray((odd == 0) & above[:, np.newaxis] & before)

    def _blocks(
        self, first: NDArray[np.int64], length: int, most: int
    ) -> tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.bool_]]:
        """From and to which blocks they reach, and whether there are such blocks."""
        low, high = first // self.size, -(-(first + length) // self.size)
        return np.maximum(low, 0), np.minimum(high, most - 1), (low >= 0) & (high < most)


def _at_place(
    ground: _Ground, grid: StripGrid, columns: tuple[int, int], weld: WeldLine, plan: WindowPlan
) -> list[Window]:
    """The windows of one place, of columns [first, end): one a side and zone at most."""
    where = weld.at(grid.s_first_mm + (sum(columns) - 1) / 2 * grid.pitch_mm)
    if where is None:
        return []
    windows = [
        _nearest(ground, grid, columns, where, side, zone, plan)
        for side in (-1, 1)
        for zone in Zone
    ]
    return [window for window in windows if window is not None]


def _rows_near(grid: StripGrid, weld: tuple[float, float], plan: WindowPlan) -> slice:
    """The rows that windows may lie in, and some more, as the weld wanders."""
    reach = weld[1] + plan.reach_mm + 2 * _BACKGROUND_MM
    first, end = ((weld[0] + away - grid.z_first_mm) / grid.pitch_mm for away in (-reach, reach))
    return slice(max(0, int(first)), max(0, min(grid.rows, int(end) + 1)))


def _nearest(
    ground: _Ground,
    grid: StripGrid,
    place: tuple[int, int],
    weld: tuple[float, float],
    side: int,
    zone: Zone,
    plan: WindowPlan,
) -> Window | None:
    """The window of a zone that is nearest to the toe, then to the middle of the columns."""
    centre, half_width = weld
    best: tuple[float, int, int, int, int] | None = None
    near, far = (
        (plan.toe_gap_mm, plan.zone_mm)
        if zone is Zone.HEAT_AFFECTED
        else (plan.zone_mm, plan.reach_mm)
    )
    pitch = grid.pitch_mm
    step = max(1, round(_STEP_MM / pitch))
    width = place[1] - place[0]
    for rows, columns in plan.shapes():
        if best is not None and best[0] - _WORTH_MM <= near:
            break
        if columns > width or rows >= grid.rows:
            continue
        # Distance of the window's nearest row from the toe, outwards; the first row of each.
        away = np.arange(near, far - rows * pitch + 1e-9, step * pitch)
        inner = (centre + side * (half_width + away) - grid.z_first_mm) / pitch
        top = np.rint(inner if side > 0 else inner - rows + 1).astype(np.int64)
        inside = (top >= 0) & (top + rows <= grid.rows)
        top, away = top[inside], away[inside]
        left = np.arange(0, width - columns + 1, step)
        for first in range(0, len(top), _AT_ONCE):  # nearly always the first few will do
            some = slice(first, first + _AT_ONCE)
            free = ground.plain(top[some], rows, place[0] + left, columns)
            if not free.any():
                continue
            i = int(free.any(axis=1).argmax())
            aside = np.abs(left + columns / 2 - width / 2)
            j = int(np.where(free[i], aside, np.inf).argmin())
            told = (float(away[some][i]), int(top[some][i]), int(left[j]), rows, columns)
            best = told if best is None or told[0] < best[0] - _WORTH_MM else best
            break
    if best is None:
        return None
    toe_mm, row, column, rows, columns = best
    return Window(
        (row, row + rows),
        (place[0] + column, place[0] + column + columns),
        grid.s_first_mm + (place[0] + column + (columns - 1) / 2) * pitch,
        grid.z_first_mm + (row + (rows - 1) / 2) * pitch,
        side,
        zone,
        toe_mm,
    )


def _not_plain(means: FloatImage, known: NDArray[np.bool_], pitch_mm: float) -> NDArray[np.int64]:
    """Where the metal isn't measured or shows something else, as sums from the first pixel on.

    ``means`` (rows, columns) are gray values linear in dose, and ``known`` where all were measured;
    the sums (rows + 1, columns + 1).
    """
    import cv2  # noqa: PLC0415

    odd = (~known).astype(np.uint8)
    if known.any():
        dark = -np.log(np.maximum(means, np.float32(1)))
        if not known.all():
            dark[~known] = np.median(dark[known])
        detail = dark - _background(dark, max(3, round(_BACKGROUND_MM / pitch_mm)))
        spot, line = (max(1, round(length / pitch_mm)) for length in (_SPOT_MM, _LINE_MM))
        for rows, columns in ((spot, spot), (line, 1), (1, line)):
            smooth = cv2.blur(detail, (columns, rows), borderType=cv2.BORDER_REFLECT_101)
            seen = _standing_out(smooth, max(1, round(_BAND_MM / pitch_mm)))
            odd |= cv2.dilate(seen, np.ones((rows, columns), np.uint8))
        around = 2 * max(1, round(_AROUND_MM / pitch_mm)) + 1
        odd = cv2.dilate(odd, np.ones((around, around), np.uint8))
    return np.asarray(cv2.integral(odd), dtype=np.int64)


def _background(dark: FloatImage, reach: int) -> FloatImage:
    """Shading and the weld itself: medians of blocks, bent between their middles."""
    import cv2  # noqa: PLC0415

    rows, columns = (-(-size // reach) for size in dark.shape)
    whole = [
        (0, count * reach - size) for count, size in zip((rows, columns), dark.shape, strict=True)
    ]
    blocks = np.pad(dark, whole, mode="edge").reshape(rows, reach, columns, reach)[:, ::2, :, ::2]
    coarse = np.median(blocks.transpose(0, 2, 1, 3).reshape(rows, columns, -1), axis=2)
    shape = columns * reach, rows * reach
    smooth = cv2.resize(coarse, shape, interpolation=cv2.INTER_CUBIC)
    return np.asarray(smooth[: dark.shape[0], : dark.shape[1]], dtype=np.float32)


def _standing_out(smooth: FloatImage, band: int) -> NDArray[np.uint8]:
    """1 where the picture is off what ``band`` rows usually show, by the median deviation there.

    Band by band, as the cap is rougher than the plate.
    """
    rows, columns = smooth.shape
    bands = -(-rows // band)
    some = np.pad(smooth, ((0, bands * band - rows), (0, 0)), mode="edge")
    some = some.reshape(bands, band, columns)[:, ::2, ::_SAMPLE].reshape(bands, -1)
    middle = np.median(some, axis=1)
    spread = 1.4826 * np.median(np.abs(some - middle[:, np.newaxis]), axis=1)
    middle, most = (
        np.repeat(one, band)[:rows, np.newaxis].astype(np.float32)
        for one in (middle, _STANDS_OUT * spread + 1e-6)
    )
    return np.asarray(np.abs(smooth - middle) > most, dtype=np.uint8)
