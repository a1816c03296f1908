"""The part of the wires that is read, and each wire's depth there with its uncertainty."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.model import FloatArray
from pipeline.quality.gauges.wire_place import WirePlace
from pipeline.quality.gauges.wire_profile import Bands, WireFilter, scatter

_REFINE = 0.04  # of the spacing: how far a clear wire may lie from where the others let expect
_REFINE_DEG = 0.8
_CLEAR = 12.0  # standard deviations
_BESIDE_MM = 0.3  # beyond a wire's shadow: what isn't counted as ground
_SURELY_WIRE = 0.85  # of the told length: at least the rest of it shows the wires
_HALF_SEEN = 0.5  # of the wires' usual depth: where they end
_TOO_NOISY = 0.25  # of that depth: then the wires' ends can't be told
_PARTS = 3
_TRIES = 9
_GROUND = (0.12, 0.2, 0.3)  # of the spacing: how far to each side the ground may be looked at
_LEAST_GROUND_PX = 3.0


@dataclass(frozen=True, slots=True)
class WireFit:
    """Of each wire its column, depth and the depth's sigma; ``throughout`` whether it is there
    in every third of the length; ``slope`` is the refined one."""

    at_px: FloatArray
    depth: FloatArray
    sigma: FloatArray
    throughout: NDArray[np.bool_]
    slope: float


def extent(bands: Bands, filters: Sequence[WireFilter], place: WirePlace) -> tuple[int, int]:
    """The bands, from … to before, in which the wires are there; all if they're too faint to tell.

    The longest run in which all wires together have more than half of their usual depth.
    """
    half = len(filters[0].kernel) // 2
    columns = np.arange(bands.depth.shape[1])
    offsets = np.arange(-half, half + 1)
    shift = place.slope * (bands.at_px - bands.at_px.mean())
    expected = np.array([one.peak_mm for one in filters])
    depth = np.empty((len(bands.at_px), len(filters)))
    for band, by in enumerate(shift):
        for number, (one, at) in enumerate(zip(filters, place.at_px, strict=True)):
            window = np.interp(at + by + offsets, columns, bands.depth[band])
            depth[band, number] = one.kernel @ window
    per_mm = depth @ expected / float(expected @ expected)
    smooth = np.median(
        np.stack([np.pad(per_mm, 1, mode="edge")[k : k + per_mm.size] for k in range(3)]), axis=0
    )
    usual = float(np.quantile(smooth, _SURELY_WIRE))
    noise = 1.4826 * float(np.median(np.abs(np.diff(per_mm)))) / np.sqrt(2)
    if noise > _TOO_NOISY * usual:
        return 0, per_mm.size
    return _longest_run(smooth > _HALF_SEEN * usual)


def most_even(bands: Bands, inside: tuple[int, int], count: int) -> tuple[int, int]:
    """``count`` bands in a row over which the ground changes least; all that are ``inside`` if
    they are fewer."""
    first, last = inside
    if last - first <= count:
        return inside
    windows = np.lib.stride_tricks.sliding_window_view(bands.ground[first:last], count)
    start = first + int(np.argmin(np.ptp(windows, axis=1)))
    return start, start + count


def fit_wires(
    lines: FloatArray,
    filters: Sequence[WireFilter],
    at_px: FloatArray,
    slope: float,
    *,
    spacing_px: float,
    pitch_mm: float,
) -> WireFit:
    """Depth of each wire near ``at_px`` (columns in the middle row of ``lines``).

    ``lines`` (rows along the wires, columns) is the logarithmic depth, each row's ground taken
    out. Clear wires may lie a little from where all wires together let expect; the others are read
    where the clear ones let expect, because the deepest of several places would flatter them. How
    far a wire's ground is looked at is as leaves the least noise.
    """
    rows = len(lines)
    widest = _windows(filters[0], spacing_px)[-1]
    first = [
        _deepest(lines, one, float(at), slope, widest, _REFINE * spacing_px)
        for one, at in zip(filters, at_px, strict=True)
    ]
    nearby, depth = (np.array(column) for column in zip(*first, strict=True))
    slope = _refined_slope(lines, filters, nearby, slope, widest)
    left, free = _ground(lines, filters, nearby, depth, slope, spacing_px, pitch_mm)
    noise, halves = np.empty(at_px.size), []
    for index, one in enumerate(filters):
        windows = _windows(one, spacing_px)
        sigmas = [
            float(
                scatter(_Probe(one, float(nearby[index]), slope, rows, half).responses(left)[free])
            )
            for half in windows
        ]
        noise[index] = min(sigmas)
        halves.append(windows[int(np.argmin(sigmas))])
    clear = depth >= _CLEAR * noise
    expected = at_px
    if np.count_nonzero(clear) >= 2:
        number = np.arange(at_px.size, dtype=np.float64)
        line = np.polyfit(number[clear], nearby[clear], 1, w=(depth / noise)[clear])
        expected = np.asarray(np.polyval(line, number), dtype=np.float64)
    places = np.where(clear, nearby, expected)
    depths, throughout = [], []
    for index, one in enumerate(filters):
        probe = _Probe(one, float(places[index]), slope, rows, halves[index])
        depths.append(probe.depth(lines))
        throughout.append(probe.throughout(lines, float(noise[index])))
    return WireFit(places, np.array(depths), noise, np.array(throughout), slope)


def _deepest(
    lines: FloatArray, one: WireFilter, at_px: float, slope: float, half: int, reach_px: float
) -> tuple[float, float]:
    """(place, depth) where the wire is deepest within reach, by a parabola through three places."""
    tries = at_px + reach_px * np.linspace(-1, 1, _TRIES)
    depths = np.array(
        [_Probe(one, float(at), slope, len(lines), half).depth(lines) for at in tries]
    )
    best = min(max(int(np.argmax(depths)), 1), _TRIES - 2)
    before, middle, after = depths[best - 1 : best + 2]
    bend = before - 2 * middle + after
    part = 0.5 * (before - after) / bend if bend < 0 else 0.0
    part = min(max(float(part), -1.0), 1.0)
    place = float(tries[best] + part * (tries[1] - tries[0]))
    return place, _Probe(one, place, slope, len(lines), half).depth(lines)


def _refined_slope(
    lines: FloatArray,
    filters: Sequence[WireFilter],
    at_px: FloatArray,
    slope: float,
    half: int,
) -> float:
    """The slope near the told one at which all wires together are deepest."""
    tries = (slope + math.tan(math.radians(_REFINE_DEG)) * np.linspace(-1, 1, _TRIES)).tolist()
    depths = [
        sum(
            one.peak_mm * _Probe(one, float(at), some, len(lines), half).depth(lines)
            for one, at in zip(filters, at_px, strict=True)
        )
        for some in tries
    ]
    return float(tries[int(np.argmax(depths))])


def _ground(
    lines: FloatArray,
    filters: Sequence[WireFilter],
    at_px: FloatArray,
    depth: FloatArray,
    slope: float,
    spacing_px: float,
    pitch_mm: float,
) -> tuple[FloatArray, NDArray[np.bool_]]:
    """The lines without the wires, and the columns between and beside the wires."""
    left = lines.copy()
    columns = np.arange(lines.shape[1], dtype=np.float64)
    away = slope * (np.arange(len(lines)) - (len(lines) - 1) / 2)[:, None]
    free = (columns > at_px.min() - spacing_px) & (columns < at_px.max() + spacing_px)
    for one, place, height in zip(filters, at_px, depth, strict=True):
        left -= height * one.shape(columns - place - away)
        free &= np.abs(columns - place) > one.half_width_px + _BESIDE_MM / pitch_mm
    return left, free


def _windows(one: WireFilter, spacing_px: float) -> list[int]:
    """How far to each side a wire's ground may be looked at, in columns."""
    least = one.half_width_px + _LEAST_GROUND_PX
    return [math.ceil(max(least, part * spacing_px)) for part in _GROUND]


class _Probe:
    """Least squares of a leaning wire and a straight ground in a window of ``2 half + 1`` columns
    about the column nearest to ``at_px``."""

    def __init__(self, one: WireFilter, at_px: float, slope: float, rows: int, half: int) -> None:
        self.half = half
        self._column = round(at_px)
        offsets = np.arange(-half, half + 1, dtype=np.float64)
        away = slope * (np.arange(rows) - (rows - 1) / 2)
        self._shape = one.shape(self._column - at_px + offsets - away[:, None])
        self._kernel = self._solve(self._shape)

    def depth(self, lines: FloatArray) -> float:
        """Depth of the wire."""
        return float(np.sum(self._kernel * self._window(lines)))

    def throughout(self, lines: FloatArray, sigma: float) -> bool:
        """Whether every third of its length is darker than the ground, and none has less than half
        of the whole's depth by two of its standard deviations."""
        least = max(0.0, self.depth(lines) / 2 - 2 * math.sqrt(_PARTS) * sigma)
        window = self._window(lines)
        parts = zip(
            np.array_split(self._shape, _PARTS), np.array_split(window, _PARTS), strict=True
        )
        return all(float(np.sum(self._solve(shape) * some)) > least for shape, some in parts)

    def responses(self, lines: FloatArray) -> FloatArray:
        """The depth of such a wire at every column; the ends are taken as going on evenly."""
        padded = np.pad(lines, ((0, 0), (self.half, self.half)), mode="edge")
        # Of every column with every offset of the kernel; the sums lie along its diagonals.
        products = np.ascontiguousarray(padded.T @ self._kernel)
        step, next_one = products.strides
        diagonals = np.lib.stride_tricks.as_strided(
            products, (lines.shape[1], products.shape[1]), (step, step + next_one), writeable=False
        )
        return np.asarray(diagonals.sum(axis=1))

    def _window(self, lines: FloatArray) -> FloatArray:
        columns = self._column + np.arange(-self.half, self.half + 1)
        return lines[:, np.clip(columns, 0, lines.shape[1] - 1)]

    def _solve(self, shape: FloatArray) -> FloatArray:
        """The weights that give the shape's depth on any straight ground."""
        slant = np.linspace(-1, 1, shape.shape[1])
        alone = shape - shape.mean()
        alone = alone - slant * float(np.sum(alone * slant)) / (len(shape) * float(slant @ slant))
        return np.asarray(alone / float(np.sum(alone * alone)))


def pixel_noise(values: FloatArray, bands: Bands, first: int, last: int) -> float:
    """Standard deviation of a single pixel, in parts of its gray value: the usual one among the
    pixels that lie in one band and one column."""
    rows = bands.rows
    some = np.log(values[first * rows : last * rows]).reshape(last - first, rows, -1)
    variance = float(np.median(some.var(axis=1, ddof=1)))
    # Wilson and Hilferty's median of chi-square over its degrees of freedom.
    return float(np.sqrt(variance / (1 - 2 / (9 * (rows - 1))) ** 3))


def _longest_run(seen: NDArray[np.bool_]) -> tuple[int, int]:
    edges = np.flatnonzero(np.diff(np.concatenate([[0], seen.astype(np.int8), [0]])))
    starts, ends = edges[::2], edges[1::2]
    longest = int(np.argmax(ends - starts))
    return int(starts[longest]), int(ends[longest])
