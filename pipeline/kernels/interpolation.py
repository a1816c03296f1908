"""Six-point Lagrange interpolation along lines, in loops that compilers turn into vector code.

Exact for polynomials up to the fifth degree; modulation transfer at half the Nyquist frequency at
least 0.95 at any phase. Places on a line that lie a little more than a pixel apart keep, for a run
of them, the same distance to their neighbours: within a run nothing has to be looked up, which
takes several times as long as to compute (measured).

The loops read few one-dimensional arrays and write one: with more, or with two dimensions, the
compiler can't rule out that they overlap, and then computes one pixel at a time.
"""

from __future__ import annotations

import numba as nb
import numpy as np

LANES = 16  # places computed at once; a run's end is computed beyond, then written over
_SHORT = 6  # a run that isn't worth it

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
def _line_at(c0, slope, row, last):  # type: ignore[no-untyped-def]
    """Where the line ``c0 + slope * row`` stands; off the image the nearest place."""
    return min(max(c0 + slope * _f32(np.int32(row)), _f32(2)), last)


@nb.njit(inline="always")
def _run_along_line(c0, slope, last, row, end):  # type: ignore[no-untyped-def]
    """The whole column left of the line at ``row``, and the row before ``end`` up to which it
    stays the same."""
    column = np.int64(_line_at(c0, slope, row, last))
    same, stop = row, end
    while stop - same > 1:
        middle = (same + stop) // 2
        if np.int64(_line_at(c0, slope, middle, last)) == column:
            same = middle
        else:
            stop = middle
    return column, stop


@nb.njit(nogil=True, cache=True)
def _phases(c0, slope, last, column, row, out):  # type: ignore[no-untyped-def]
    whole = _f32(column)
    for i in range(out.shape[0]):
        out[i] = _line_at(c0, slope, np.int32(row) + np.int32(i), last) - whole


@nb.njit(nogil=True, cache=True)
def _weigh_six(a, b, c, d, e, f, phase, out):  # type: ignore[no-untyped-def]
    for i in range(out.shape[0]):
        w0, w1, w2, w3, w4, w5 = taps(phase[i])
        out[i] = w0 * a[i] + w1 * b[i] + w2 * c[i] + w3 * d[i] + w4 * e[i] + w5 * f[i]


@nb.njit(nogil=True, cache=True)
def _either(a, b, out):  # type: ignore[no-untyped-def]
    for i in range(out.shape[0]):
        out[i] = a[i] | b[i]


@nb.njit(nogil=True, cache=True)
def across_columns(turned, c0, slope, first, end, phase, out):  # type: ignore[no-untyped-def]
    """``out[r]``, r in [first, end): the image on the line that at row r is at column
    ``c0 + slope * r``.

    ``turned`` (columns, rows) float32, the image's columns one after the other; ``phase`` (rows,)
    float32 is overwritten.
    """
    last = _f32(turned.shape[0] - 4)
    row = first
    while row < end:
        q, stop = _run_along_line(c0, slope, last, row, end)
        _phases(c0, slope, last, q, row, phase[row:stop])
        _weigh_six(
            turned[q - 2][row:stop],
            turned[q - 1][row:stop],
            turned[q][row:stop],
            turned[q + 1][row:stop],
            turned[q + 2][row:stop],
            turned[q + 3][row:stop],
            phase[row:stop],
            out[row:stop],
        )
        row = stop


@nb.njit(nogil=True, cache=True)
def either_side(turned, c0, slope, first, end, out):  # type: ignore[no-untyped-def]
    """``out[r]``: the flags of the two pixels beside the line of `across_columns`, joined.

    ``turned`` (columns, rows) uint8.
    """
    last = _f32(turned.shape[0] - 4)
    row = first
    while row < end:
        q, stop = _run_along_line(c0, slope, last, row, end)
        _either(turned[q][row:stop], turned[q + 1][row:stop], out[row:stop])
        row = stop


@nb.njit(inline="always")
def _weigh_next_six(line, at, first, out):  # type: ignore[no-untyped-def]
    """``out[i]``: the line at ``at[i]``, after its pixel ``first + i``, which is line[i + 2]."""
    for i in range(out.shape[0]):
        w0, w1, w2, w3, w4, w5 = taps(at[i] - _f32(np.int32(first) + np.int32(i)))
        k = np.uintp(i)
        out[i] = (
            w0 * line[k]
            + w1 * line[k + np.uintp(1)]
            + w2 * line[k + np.uintp(2)]
            + w3 * line[k + np.uintp(3)]
            + w4 * line[k + np.uintp(4)]
            + w5 * line[k + np.uintp(5)]
        )


@nb.njit(inline="always")
def _copy(line, out):  # type: ignore[no-untyped-def]
    for i in range(out.shape[0]):
        out[i] = line[i]


@nb.njit(nogil=True, cache=True)
def runs_of(above, start, end, stops):  # type: ignore[no-untyped-def]
    """Where in [start, end) the places stop going up by one each, one after the other into
    ``stops`` (as many as places), the last ``end``; returns how many.

    ``above`` (int32): the places, rounded down.
    """
    count, since = 0, start
    for i in range(start + 1, end):
        if above[i] - above[since] != i - since:
            stops[count] = since = i
            count += 1
    stops[count] = end
    return count + 1


@nb.njit(nogil=True, cache=True)
def along_line(line, at, above, start, stops, out):  # type: ignore[no-untyped-def]
    """``out[i]``, from start on: ``line`` at ``at[i]``; ``above`` is ``at`` rounded down, ``stops``
    the runs of that (see `runs_of`).

    float32 but for ``above`` and ``stops``; all are LANES longer than what counts of them.
    """
    for stop in stops:
        count = stop - start
        if count >= _SHORT:
            count = (count + LANES - 1) // LANES * LANES
        k = above[start]
        _weigh_next_six(
            line[k - 2 : k + 3 + count], at[start : start + count], k, out[start : start + count]
        )
        start = stop


@nb.njit(nogil=True, cache=True)
def pick_along(line, above, start, stops, out):  # type: ignore[no-untyped-def]
    """``out[i] = line[above[i]]``, from start on, by runs as `along_line`."""
    for stop in stops:
        _copy(line[above[start] : above[start] + stop - start], out[start:stop])
        start = stop
