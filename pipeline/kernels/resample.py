"""The one interpolation: a corrected frame straight onto the strip's grid, block by block.

The unrolling is separable in the sense of Catmull and Smith (1980): a panel row is resampled along
the columns first, the result along the rows. For the strip's column j the panel column is
``c0[j] + slope * row`` (the slope is the panel's roll) and the panel row of the strip's row i is
``r0[j] + i * step[j]``; both follow exactly from the projection. A block of strip columns keeps
everything in the cache.

The interpolation is six-point Lagrange: exact for polynomials up to the fifth degree, modulation
transfer at half the Nyquist frequency at least 0.95 at any phase.

What belongs to a column lies in one array and what is summed in another: with many separate ones
the compiler can't rule out that they overlap, and then computes one pixel at a time.
"""

from __future__ import annotations

import numba as nb
import numpy as np

BLOCK = 64  # strip columns in a block; a block of a 1,500-row panel lies in a 1 MB cache
PHASES = 64  # steps of the table of noise factors

# Rows of a block's column table, float32 (COLUMN_TABLE, n).
C0, R0, STEP, SCALE, WEIGHT, NOISE_FIXED, NOISE_LINEAR, NOISE_SQUARE = range(8)
COLUMN_TABLE = 8

# What a tile sums up, float32 (strip rows, TILE_SUMS, n).
SUM_WEIGHT, SUM_VALUE, SUM_VARIANCE, COUNT = range(4)
TILE_SUMS = 4

_f32 = np.float32


@nb.njit(inline="always")
def taps(f):  # type: ignore[no-untyped-def]
    """The six Lagrange weights of the samples at −2 … 3 for a point at ``f`` in [0, 1)."""
    a, b, d, e, g = f + _f32(2), f + _f32(1), f - _f32(1), f - _f32(2), f - _f32(3)
    ab, bf, de, eg = a * b, b * f, d * e, e * g
    return (
        -(bf * de * g) * _f32(1 / 120),
        a * f * de * g * _f32(1 / 24),
        -(ab * de * g) * _f32(1 / 12),
        ab * f * eg * _f32(1 / 12),
        -(ab * f * d * g) * _f32(1 / 24),
        ab * f * de * _f32(1 / 120),
    )


@nb.njit(cache=True)
def noise_factors():  # type: ignore[no-untyped-def]
    """Variance left of white noise after interpolation, at the phases 0, 1/PHASES … 1 (float32)."""
    table = np.empty(PHASES + 1, dtype=np.float32)
    for k in range(PHASES + 1):
        w0, w1, w2, w3, w4, w5 = taps(_f32(k / PHASES))
        table[k] = w0 * w0 + w1 * w1 + w2 * w2 + w3 * w3 + w4 * w4 + w5 * w5
    return table


@nb.njit(inline="always")
def _column_taps(table, shift, last, first_of, weights):  # type: ignore[no-untyped-def]
    """First panel column and weights of every strip column; off the panel the nearest place."""
    for j in range(table.shape[1]):
        x = min(max(table[C0, j] + shift, _f32(2)), last)
        k = np.int32(x)
        first_of[j] = k - 2
        w0, w1, w2, w3, w4, w5 = taps(x - _f32(k))
        weights[0, j] = w0
        weights[1, j] = w1
        weights[2, j] = w2
        weights[3, j] = w3
        weights[4, j] = w4
        weights[5, j] = w5


@nb.njit(inline="always")
def _along_columns(line, first_of, weights, out):  # type: ignore[no-untyped-def]
    for j in range(out.shape[0]):
        q = np.uintp(first_of[j])
        out[j] = (
            weights[0, j] * line[q]
            + weights[1, j] * line[q + np.uintp(1)]
            + weights[2, j] * line[q + np.uintp(2)]
            + weights[3, j] * line[q + np.uintp(3)]
            + weights[4, j] * line[q + np.uintp(4)]
            + weights[5, j] * line[q + np.uintp(5)]
        )


@nb.njit(inline="always")
def _row_span(table, rows_out, rows):  # type: ignore[no-untyped-def]
    """The panel rows [first, end) that a block needs."""
    low, high = _f32(rows), _f32(0)
    for j in range(table.shape[1]):
        low = min(low, table[R0, j])
        high = max(high, table[R0, j] + table[STEP, j] * _f32(rows_out))
    return max(np.int64(low) - 3, 0), min(max(np.int64(high), 2) + 5, rows)


@nb.njit(inline="always")
def _panel_rows(table, i, last, y):  # type: ignore[no-untyped-def]
    """The panel row of every column at strip row i; beyond the panel the nearest place."""
    for j in range(table.shape[1]):
        y[j] = min(max(table[R0, j] + table[STEP, j] * _f32(i), _f32(2)), last)


@nb.njit(inline="always")
def _run_end(y, start):  # type: ignore[no-untyped-def]
    """The end of the run of columns from ``start`` on that lie between the same panel rows."""
    k = np.int32(y[start])
    end = start + 1
    while end < y.shape[0] and np.int32(y[end]) == k:
        end += 1
    return end


@nb.njit(nogil=True, cache=True)
def unroll_block(values, table, slope, out):  # type: ignore[no-untyped-def]
    """Write a block of the unrolled frame into ``out`` (strip rows, n), float32.

    ``values`` (rows, columns) float32; ``table`` as for `accumulate_block`, of which only the first
    three rows count; ``slope`` panel columns a panel row.
    """
    rows, columns = values.shape
    n = table.shape[1]
    between = np.empty((rows, n), dtype=np.float32)
    first_of, weights = np.empty(n, dtype=np.int32), np.empty((6, n), dtype=np.float32)
    y = np.empty(n, dtype=np.float32)
    first, end = _row_span(table, out.shape[0], rows)
    for row in range(first, end):
        if slope != 0 or row == first:
            _column_taps(table, slope * _f32(row), _f32(columns - 4), first_of, weights)
        _along_columns(values[row], first_of, weights, between[row])
    for i in range(out.shape[0]):
        line = out[i]
        _panel_rows(table, i, _f32(rows - 4), y)
        start = 0
        while start < n:
            stop = _run_end(y, start)
            k = np.int32(y[start])
            near = between[k - 2 : k + 4]
            for j in range(start, stop):
                w0, w1, w2, w3, w4, w5 = taps(y[j] - _f32(k))
                line[j] = (
                    w0 * near[0, j]
                    + w1 * near[1, j]
                    + w2 * near[2, j]
                    + w3 * near[3, j]
                    + w4 * near[4, j]
                    + w5 * near[5, j]
                )
            start = stop


@nb.njit(nogil=True, cache=True)
def accumulate_block(  # type: ignore[no-untyped-def]
    values, flags, table, slope, row_weight, factors, tile
):
    """Add a frame to a block of the strip.

    ``values`` (rows, columns) float32, corrected; ``flags`` (rows, columns) uint8, 0 is good.
    ``table`` (COLUMN_TABLE, n) float32: place on the panel (C0, R0, STEP), factor on the values,
    weight, and the variance of a value v as NOISE_FIXED + NOISE_LINEAR·v + NOISE_SQUARE·v².
    ``slope`` float32 panel columns a panel row; ``row_weight`` (rows,) float32 taper, 0 at both
    ends; ``factors`` from `noise_factors`. ``tile`` (strip rows, TILE_SUMS, n) float32 is added to.

    A strip pixel whose four nearest panel pixels are not all good gets nothing from this frame.
    """
    rows, columns = values.shape
    n = table.shape[1]
    between = np.empty((rows, 2, n), dtype=np.float32)  # interpolated value; 1 where good
    first_of, weights = np.empty(n, dtype=np.int32), np.empty((6, n), dtype=np.float32)
    y, across = np.empty(n, dtype=np.float32), np.empty(n, dtype=np.float32)
    first, end = _row_span(table, tile.shape[0], rows)
    for row in range(first, end):
        if slope != 0 or row == first:
            _column_taps(table, slope * _f32(row), _f32(columns - 4), first_of, weights)
        _along_columns(values[row], first_of, weights, between[row, 0])
        line, good = flags[row], between[row, 1]
        for j in range(n):
            q = np.uintp(first_of[j])
            bad = line[q + np.uintp(2)] | line[q + np.uintp(3)]
            good[j] = _f32(1) if bad == 0 else _f32(0)
    for i in range(tile.shape[0]):
        sums = tile[i]
        _panel_rows(table, i, _f32(rows - 4), y)
        for j in range(n):
            x = max(table[C0, j] + slope * y[j], _f32(0))
            phase = (x - _f32(np.int32(x))) * _f32(PHASES)
            across[j] = factors[np.uintp(np.int32(phase + _f32(0.5)))]
        start = 0
        while start < n:
            stop = _run_end(y, start)
            k = np.int32(y[start])
            near = between[k - 2 : k + 4]
            taper = row_weight[k]
            for j in range(start, stop):
                w0, w1, w2, w3, w4, w5 = taps(y[j] - _f32(k))
                weight = table[WEIGHT, j] * taper * near[2, 1, j] * near[3, 1, j]
                value = table[SCALE, j] * (
                    w0 * near[0, 0, j]
                    + w1 * near[1, 0, j]
                    + w2 * near[2, 0, j]
                    + w3 * near[3, 0, j]
                    + w4 * near[4, 0, j]
                    + w5 * near[5, 0, j]
                )
                along = w0 * w0 + w1 * w1 + w2 * w2 + w3 * w3 + w4 * w4 + w5 * w5
                positive = max(value, _f32(0))
                variance = table[NOISE_FIXED, j] + table[NOISE_LINEAR, j] * positive
                variance *= along * across[j]
                variance += table[NOISE_SQUARE, j] * positive * positive
                sums[SUM_WEIGHT, j] += weight
                sums[SUM_VALUE, j] += weight * value
                sums[SUM_VARIANCE, j] += weight * weight * variance
                sums[COUNT, j] += _f32(1) if weight > _f32(0) else _f32(0)
            start = stop


def blocks_of(columns: int) -> list[slice]:
    """The column slices of width BLOCK that cover ``columns``."""
    return [slice(at, min(at + BLOCK, columns)) for at in range(0, columns, BLOCK)]
