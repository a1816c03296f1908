"""The one interpolation: a corrected frame straight onto the strip's grid, column by column.

The unrolling is separable in the sense of Catmull and Smith (1980): the panel is resampled along
its rows first, to a line of the strip, the result along that line. For the strip's column j the
panel column is ``c0[j] + slope[j] * row`` (the slope is the panel's roll) and the panel row of the
strip's row i is ``r0[j] + i * step[j] / (1 + bend[j] * i)`` (the bend is the panel's pitch; without
it the rows are evenly spaced and the slopes equal); both follow exactly from the projection.

Images come turned, their columns one after the other, as all work goes on along these.
"""

from __future__ import annotations

from typing import TypeVar

import cv2
import numba as nb
import numpy as np
from numpy.typing import NDArray

from pipeline.kernels.interpolation import (
    LANES,
    across_columns,
    along_line,
    either_side,
    noise_left,
    pick_along,
    runs_of,
)
from pipeline.model import FloatImage

BLOCK = 64  # strip columns summed up together; what a block of a 1,500-row panel sums takes 1.5 MB

# Rows of a frame's column table, float32 (COLUMN_TABLE, n).
C0, R0, STEP, SLOPE, BEND, SCALE, WEIGHT, NOISE_FIXED, NOISE_LINEAR, NOISE_SQUARE = range(10)
COLUMN_TABLE = 10
PLACES = 5  # of these the first, which say where the panel is read

# What a tile sums up, float32 (n, TILE_SUMS, strip rows).
SUM_WEIGHT, SUM_VALUE, SUM_VARIANCE, COUNT = range(4)
TILE_SUMS = 4

# What tells how far the frames lie apart, on every SPREAD_COLUMNS-th strip column only: a fourth of
# the work tells as much, since columns next to each other share noise and detail. Float32
# (sampled columns, SPREAD_SUMS, strip rows).
SUM_SQUARE, SUM_EXPECTED = range(2)
SPREAD_SUMS = 2
SPREAD_COLUMNS = 4

_f32 = np.float32
_Value = TypeVar("_Value", bound=np.generic)


@nb.njit(nogil=True, cache=True, error_model="numpy")
def _panel_rows(r0, step, bend, last, at, above):  # type: ignore[no-untyped-def]
    """The panel row of every strip row (beyond the panel the nearest place), and that rounded
    down."""
    if bend == _f32(0):
        for i in range(at.shape[0]):
            at[i] = min(max(r0 + step * _f32(np.int32(i)), _f32(2)), last)
    else:
        for i in range(at.shape[0]):
            way = step * _f32(np.int32(i)) / (_f32(1) + bend * _f32(np.int32(i)))
            at[i] = min(max(r0 + way, _f32(2)), last)
    for i in range(at.shape[0]):
        above[i] = np.int32(at[i])


@nb.njit(nogil=True, cache=True)
def _unroll(turned, table, out):  # type: ignore[no-untyped-def]
    """The loop of `unroll`: ``out`` (strip columns, strip rows)."""
    rows, high = turned.shape[1], out.shape[1]
    line, phase = np.zeros(rows + LANES, dtype=np.float32), np.empty(rows, dtype=np.float32)
    at, above = np.empty(high + LANES, dtype=np.float32), np.empty(high + LANES, dtype=np.int32)
    stops, value = np.empty(high, dtype=np.int64), np.empty(high + LANES, dtype=np.float32)
    for j in range(out.shape[0]):
        _panel_rows(table[R0, j], table[STEP, j], table[BEND, j], _f32(rows - 4), at, above)
        across_columns(turned, table[C0, j], table[SLOPE, j], 0, rows, phase, line)
        runs = runs_of(above, 0, high, stops)
        along_line(line, at, above, 0, stops[:runs], value)
        out[j] = value[:high]


def unroll(values: FloatImage, table: FloatImage, strip_rows: int) -> FloatImage:
    """A frame on the strip's grid: (strip_rows, n) float32.

    ``values`` (rows, columns) float32; ``table`` as for `accumulate`, of which only the first
    PLACES rows count.
    """
    out = np.empty((table.shape[1], strip_rows), dtype=np.float32)
    _unroll(by_columns(values), table, out)
    return by_columns(out)


def by_columns(image: NDArray[_Value]) -> NDArray[_Value]:
    """The image's columns one after the other, as rows: (columns, rows)."""
    return np.asarray(cv2.transpose(image))


@nb.njit(nogil=True, cache=True)
def _weights(row_weight, bad, weight, out):  # type: ignore[no-untyped-def]
    """What a place between a panel row and the next weighs: nothing if either is bad."""
    for r in range(out.shape[0]):
        k = np.uintp(r)
        out[r] = weight * row_weight[k] if bad[k] | bad[k + np.uintp(1)] == 0 else _f32(0)


@nb.njit(nogil=True, cache=True)
def _times(factor, out):  # type: ignore[no-untyped-def]
    for i in range(out.shape[0]):
        out[i] *= factor[i]


@nb.njit(nogil=True, cache=True)
def _times_one(factor, out):  # type: ignore[no-untyped-def]
    for i in range(out.shape[0]):
        out[i] *= factor


@nb.njit(nogil=True, cache=True)
def _variances(column, j, at, value, out):  # type: ignore[no-untyped-def]
    """The noise's variance at every strip row, interpolated where the phases are those there."""
    c0, slope = column[C0, j], column[SLOPE, j]
    fixed, linear, square = column[NOISE_FIXED, j], column[NOISE_LINEAR, j], column[NOISE_SQUARE, j]
    for i in range(out.shape[0]):
        x = max(c0 + slope * at[i], _f32(0))
        left = noise_left(x - _f32(np.int32(x))) * noise_left(at[i] - _f32(np.int32(at[i])))
        positive = max(value[i], _f32(0))
        out[i] = left * (fixed + linear * positive) + square * positive * positive


@nb.njit(nogil=True, cache=True)
def _add_first(weight, out):  # type: ignore[no-untyped-def]
    for i in range(out.shape[0]):
        out[i] += weight[i]


@nb.njit(nogil=True, cache=True)
def _add_product(weight, value, out):  # type: ignore[no-untyped-def]
    for i in range(out.shape[0]):
        out[i] += weight[i] * value[i]


@nb.njit(nogil=True, cache=True)
def _add_triple(weight, value, other, out):  # type: ignore[no-untyped-def]
    for i in range(out.shape[0]):
        out[i] += weight[i] * value[i] * other[i]


@nb.njit(nogil=True, cache=True)
def _add_count(weight, out):  # type: ignore[no-untyped-def]
    for i in range(out.shape[0]):
        out[i] += _f32(1) if weight[i] > _f32(0) else _f32(0)


@nb.njit(nogil=True, cache=True)
def accumulate(  # type: ignore[no-untyped-def]
    turned, flags, table, row_scale, row_weight, first, tile, spread
):
    """Add a frame's columns to a block of the strip, from its column ``first`` on.

    ``turned`` (columns, rows) float32, corrected; ``flags`` (columns, rows) uint8, 0 is good.
    ``table`` (COLUMN_TABLE, n) float32: place on the panel (C0 to BEND), factor on the values,
    weight, and the variance of a value v as NOISE_FIXED + NOISE_LINEAR·v + NOISE_SQUARE·v².
    ``row_scale`` (rows,) float32 factor on the panel's rows, near 1 (the noise doesn't follow it);
    ``row_weight`` (rows,) float32 taper, 0 in the three rows at both ends. ``tile`` (strip columns,
    TILE_SUMS, strip rows) and ``spread`` (every SPREAD_COLUMNS-th strip column, SPREAD_SUMS, strip
    rows), both float32, are added to.

    A strip pixel whose four nearest panel pixels are not all good gets nothing from this frame.
    """
    rows, high = turned.shape[1], tile.shape[2]
    line, phase = np.zeros(rows + LANES, dtype=np.float32), np.empty(rows, dtype=np.float32)
    bad, worth = np.empty(rows, dtype=np.uint8), np.empty(rows, dtype=np.float32)
    at, above = np.empty(high + LANES, dtype=np.float32), np.empty(high + LANES, dtype=np.int32)
    stops, values = np.empty(high, dtype=np.int64), np.empty(high + LANES, dtype=np.float32)
    weights, variances = np.empty(high, dtype=np.float32), np.empty(high, dtype=np.float32)
    last = _f32(rows - 4)
    for j in range(table.shape[1]):
        if table[WEIGHT, j] == _f32(0):
            continue
        _panel_rows(table[R0, j], table[STEP, j], table[BEND, j], last, at, above)
        start, end = 0, high
        while start < end and at[start] <= _f32(2):
            start += 1
        while start < end and at[end - 1] >= last:
            end -= 1
        if start == end:
            continue
        top, bottom = np.int64(above[start]) - 2, np.int64(above[end - 1]) + 4
        c0, slope = table[C0, j], table[SLOPE, j]
        across_columns(turned, c0, slope, top, bottom, phase, line)
        _times(row_scale[top:bottom], line[top:bottom])
        either_side(flags, c0, slope, top, bottom, bad)
        _weights(row_weight[top:bottom], bad[top:bottom], table[WEIGHT, j], worth[top : bottom - 1])
        runs = runs_of(above, start, end, stops)
        along_line(line, at, above, start, stops[:runs], values)
        pick_along(worth, above, start, stops[:runs], weights)
        value, weight, variance = values[start:end], weights[start:end], variances[start:end]
        _times_one(table[SCALE, j], value)
        _variances(table, j, at[start:end], value, variance)
        sums = tile[first + j]
        _add_first(weight, sums[SUM_WEIGHT][start:end])
        _add_product(weight, value, sums[SUM_VALUE][start:end])
        _add_triple(weight, weight, variance, sums[SUM_VARIANCE][start:end])
        _add_count(weight, sums[COUNT][start:end])
        if (first + j) % SPREAD_COLUMNS == 0:
            extra = spread[(first + j) // SPREAD_COLUMNS]
            _add_triple(weight, value, value, extra[SUM_SQUARE][start:end])
            _add_product(weight, variance, extra[SUM_EXPECTED][start:end])
