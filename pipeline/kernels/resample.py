"""The one interpolation: a corrected frame straight onto the strip's grid, block by block.

The unrolling is separable in the sense of Catmull and Smith (1980): a panel row is resampled along
the columns first, the result along the rows. For the strip's column j the panel column is
``c0[j] + slope[j] * row`` (the slope is the panel's roll) and the panel row of the strip's row i is
``r0[j] + i * step[j] / (1 + bend[j] * i)`` (the bend is the panel's pitch; without it the rows are
evenly spaced and the slopes equal); both follow exactly from the projection. A block of strip
columns keeps everything in the cache.

The interpolation is six-point Lagrange: exact for polynomials up to the fifth degree, modulation
transfer at half the Nyquist frequency at least 0.95 at any phase.

The inner loops each read few arrays and write one: with more, the compiler can't rule out that they
overlap, and then computes one pixel at a time (measured: half the speed).
"""

from __future__ import annotations

import numba as nb
import numpy as np

BLOCK = 64  # strip columns in a block; a block of a 1,500-row panel lies in a 1 MB cache

# Rows of a block's column table, float32 (COLUMN_TABLE, n).
C0, R0, STEP, SLOPE, BEND, SCALE, WEIGHT, NOISE_FIXED, NOISE_LINEAR, NOISE_SQUARE = range(10)
COLUMN_TABLE = 10
PLACES = 5  # of these the first, which say where the panel is read

# What a tile sums up, float32 (strip rows, TILE_SUMS, n).
SUM_WEIGHT, SUM_VALUE, SUM_VARIANCE, COUNT = range(4)
TILE_SUMS = 4

# What tells how far the frames lie apart, on every SPREAD_ROWS-th strip row only: a fourth of the
# work tells as much, since rows next to each other share noise and detail. Float32
# (sampled rows, SPREAD_SUMS, n).
SUM_SQUARE, SUM_EXPECTED = range(2)
SPREAD_SUMS = 2
SPREAD_ROWS = 4

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


@nb.njit(inline="always")
def noise_left(f):  # type: ignore[no-untyped-def]
    """Part of white noise's variance that interpolation at the phase ``f`` in [0, 1] leaves.

    The sum of the squares of `taps`, multiplied out; it is the same at f and 1 − f.
    """
    t = f * (_f32(1) - f)
    left = _f32(-119 / 480) - _f32(7 / 400) * t
    left = _f32(-254 / 225) + left * t
    left = _f32(-3131 / 1800) + left * t
    left = _f32(-2 / 3) + left * t
    return _f32(1) + left * t


@nb.njit(inline="always")
def _any(line):  # type: ignore[no-untyped-def]
    """Whether any is not 0."""
    found = False
    for j in range(line.shape[0]):
        found |= line[j] != 0
    return found


@nb.njit(inline="always")
def _column_taps(table, row, last, first_of, weights):  # type: ignore[no-untyped-def]
    """First panel column and weights of every strip column; off the panel the nearest place."""
    for j in range(table.shape[1]):
        x = min(max(table[C0, j] + table[SLOPE, j] * row, _f32(2)), last)
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
def _along_columns(line, first_of, weights, scale, out):  # type: ignore[no-untyped-def]
    for j in range(out.shape[0]):
        q = np.uintp(first_of[j])
        out[j] = scale * (
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
        at = _f32(rows_out)
        high = max(high, table[R0, j] + table[STEP, j] * at / (_f32(1) + table[BEND, j] * at))
    first, end = np.int64(low) - 3, np.int64(high) + 5
    return min(max(first, 0), rows - 7), min(max(end, 7), rows)


@nb.njit(inline="always")
def _panel_rows(table, bent, i, last, y, above):  # type: ignore[no-untyped-def]
    """Panel row ``y`` of every column at strip row i (beyond the panel the nearest place), the
    row ``above`` it, and the smallest and largest of these."""
    n = table.shape[1]
    if bent:
        for j in range(n):
            way = table[STEP, j] * _f32(i) / (_f32(1) + table[BEND, j] * _f32(i))
            y[j] = min(max(table[R0, j] + way, _f32(2)), last)
    else:
        for j in range(n):
            y[j] = min(max(table[R0, j] + table[STEP, j] * _f32(i), _f32(2)), last)
    for j in range(n):
        above[j] = np.int32(y[j])
    low = high = above[0]
    for j in range(n):
        low, high = min(low, above[j]), max(high, above[j])
    return low, high


@nb.njit(inline="always")
def _along_rows(between, y, above, k, out):  # type: ignore[no-untyped-def]
    """Interpolate, along the rows, the columns whose place lies between panel rows k and k + 1."""
    near = between[k - 2 : k + 4]
    for j in range(y.shape[0]):
        w0, w1, w2, w3, w4, w5 = taps(y[j] - _f32(k))
        value = (
            w0 * near[0, j]
            + w1 * near[1, j]
            + w2 * near[2, j]
            + w3 * near[3, j]
            + w4 * near[4, j]
            + w5 * near[5, j]
        )
        out[j] = value if above[j] == k else out[j]


@nb.njit(inline="always")
def _noise_left(table, y, out):  # type: ignore[no-untyped-def]
    """Part of white noise's variance that the interpolation leaves, at every column's phases."""
    for j in range(y.shape[0]):
        x = max(table[C0, j] + table[SLOPE, j] * y[j], _f32(0))
        out[j] = noise_left(x - _f32(np.int32(x))) * noise_left(y[j] - _f32(np.int32(y[j])))


@nb.njit(nogil=True, cache=True, error_model="numpy")
def unroll_block(values, table, out):  # type: ignore[no-untyped-def]
    """Write a block of the unrolled frame into ``out`` (strip rows, n), float32.

    ``values`` (rows, columns) float32; ``table`` as for `accumulate_block`, of which only the first
    PLACES rows count.
    """
    rows, columns = values.shape
    n = table.shape[1]
    between = np.empty((rows, n), dtype=np.float32)
    first_of, weights = np.empty(n, dtype=np.int32), np.empty((6, n), dtype=np.float32)
    y, above = np.empty(n, dtype=np.float32), np.empty(n, dtype=np.int32)
    slanted, bent = _any(table[SLOPE]), _any(table[BEND])
    first, end = _row_span(table, out.shape[0], rows)
    for row in range(first, end):
        if slanted or row == first:
            _column_taps(table, _f32(row), _f32(columns - 4), first_of, weights)
        _along_columns(values[row], first_of, weights, _f32(1), between[row])
    for i in range(out.shape[0]):
        low, high = _panel_rows(table, bent, i, _f32(rows - 4), y, above)
        for k in range(low, high + 1):
            _along_rows(between, y, above, k, out[i])


@nb.njit(nogil=True, cache=True, error_model="numpy")
def accumulate_block(  # type: ignore[no-untyped-def]
    values, flags, table, row_scale, row_weight, tile, spread
):
    """Add a frame to a block of the strip.

    ``values`` (rows, columns) float32, corrected; ``flags`` (rows, columns) uint8, 0 is good.
    ``table`` (COLUMN_TABLE, n) float32: place on the panel (C0 to BEND), factor on the values,
    weight, and the variance of a value v as NOISE_FIXED + NOISE_LINEAR·v + NOISE_SQUARE·v².
    ``row_scale`` (rows,) float32 factor on the panel's rows, near 1 (the noise doesn't follow it);
    ``row_weight`` (rows,) float32 taper, 0 at both ends. ``tile`` (strip rows, TILE_SUMS, n) and
    ``spread`` (every SPREAD_ROWS-th strip row, SPREAD_SUMS, n), both float32, are added to.

    A strip pixel whose four nearest panel pixels are not all good gets nothing from this frame.
    """
    rows, columns = values.shape
    n = table.shape[1]
    between, good = np.empty((rows, n), dtype=np.float32), np.empty((rows, n), dtype=np.float32)
    first_of, weights = np.empty(n, dtype=np.int32), np.empty((6, n), dtype=np.float32)
    y, above = np.empty(n, dtype=np.float32), np.empty(n, dtype=np.int32)
    value, weight = np.empty(n, dtype=np.float32), np.empty(n, dtype=np.float32)
    variance = np.empty(n, dtype=np.float32)
    slanted, bent = _any(table[SLOPE]), _any(table[BEND])
    first, end = _row_span(table, tile.shape[0], rows)
    for row in range(first, end):
        if slanted or row == first:
            _column_taps(table, _f32(row), _f32(columns - 4), first_of, weights)
        _along_columns(values[row], first_of, weights, row_scale[row], between[row])
        line, fine = flags[row], good[row]
        for j in range(n):
            q = np.uintp(first_of[j])
            bad = line[q + np.uintp(2)] | line[q + np.uintp(3)]
            fine[j] = _f32(1) if bad == 0 else _f32(0)
    for i in range(tile.shape[0]):
        low, high = _panel_rows(table, bent, i, _f32(rows - 4), y, above)
        for k in range(low, high + 1):
            _along_rows(between, y, above, k, value)
            taper, fine = row_weight[k], good[k : k + 2]
            for j in range(n):
                w = table[WEIGHT, j] * taper * fine[0, j] * fine[1, j]
                weight[j] = w if above[j] == k else weight[j]
        for j in range(n):
            value[j] *= table[SCALE, j]
        _noise_left(table, y, variance)
        for j in range(n):
            positive = max(value[j], _f32(0))
            variance[j] *= table[NOISE_FIXED, j] + table[NOISE_LINEAR, j] * positive
            variance[j] += table[NOISE_SQUARE, j] * positive * positive
        sums = tile[i, SUM_WEIGHT]
        for j in range(n):
            sums[j] += weight[j]
        sums = tile[i, SUM_VALUE]
        for j in range(n):
            sums[j] += weight[j] * value[j]
        sums = tile[i, SUM_VARIANCE]
        for j in range(n):
            sums[j] += weight[j] * weight[j] * variance[j]
        sums = tile[i, COUNT]
        for j in range(n):
            sums[j] += _f32(1) if weight[j] > _f32(0) else _f32(0)
        if i % SPREAD_ROWS == 0:
            sums = spread[i // SPREAD_ROWS, SUM_SQUARE]
            for j in range(n):
                sums[j] += weight[j] * value[j] * value[j]
            sums = spread[i // SPREAD_ROWS, SUM_EXPECTED]
            for j in range(n):
                sums[j] += weight[j] * variance[j]


@nb.njit(nogil=True, cache=True)
def finish_tile(  # type: ignore[no-untyped-def]
    tile, sigma_scale, values, sigma, count
):
    """Turn a tile's sums into strip pixels: weighted mean, its noise, number of frames.

    ``tile`` (rows, TILE_SUMS, n); out, all (rows, ≤ n): ``values`` uint16, at least 1 where
    something was measured and 0 elsewhere; ``sigma`` uint16 in steps of ``sigma_scale``, at least
    1; ``count`` uint8, at most 255. Returns how many values were too bright for 16 bits.
    """
    clipped = np.int32(0)
    n = values.shape[1]
    half, least, most = _f32(0.5), _f32(1), _f32(65535)
    mean, noise = np.empty(n, dtype=np.float32), np.empty(n, dtype=np.float32)
    for i in range(values.shape[0]):
        sums = tile[i]
        for j in range(n):
            safe = max(sums[SUM_WEIGHT, j], _f32(1e-30))
            mean[j] = sums[SUM_VALUE, j] / safe + half
        for j in range(n):
            safe = max(sums[SUM_WEIGHT, j], _f32(1e-30))
            noise[j] = np.sqrt(sums[SUM_VARIANCE, j]) / (safe * sigma_scale) + half
        for j in range(n):
            clipped += np.int32(mean[j] >= _f32(65536))
        for j in range(n):
            seen = sums[SUM_WEIGHT, j] > _f32(0)
            mean[j] = min(max(mean[j], least), most) if seen else _f32(0)
        for j in range(n):
            seen = sums[SUM_WEIGHT, j] > _f32(0)
            noise[j] = min(max(noise[j], least), most) if seen else _f32(0)
        for j in range(n):
            values[i, j] = np.uint16(np.int32(mean[j]))
        for j in range(n):
            sigma[i, j] = np.uint16(np.int32(noise[j]))
        for j in range(n):
            count[i, j] = np.uint8(np.int32(min(sums[COUNT, j], _f32(255))))
    return clipped


def blocks_of(columns: int) -> list[slice]:
    """The column slices of width BLOCK that cover ``columns``."""
    return [slice(at, min(at + BLOCK, columns)) for at in range(0, columns, BLOCK)]
