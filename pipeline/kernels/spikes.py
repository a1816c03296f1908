"""Hits of cosmic rays or the like: single pixels that stand out, on the panel, not on the metal."""

from __future__ import annotations

import numba as nb
import numpy as np

from pipeline.model import FloatImage

SPIKE = 0.05  # of a pixel's surroundings: more than thin wires and noise add to a single pixel

_f32 = np.float32


@nb.njit(nogil=True, cache=True)
def _least_of_three(a, b, c, out):  # type: ignore[no-untyped-def]
    for j in range(out.shape[0]):
        out[j] = min(a[j], b[j], c[j])


@nb.njit(nogil=True, cache=True)
def _most_of_three(a, b, c, out):  # type: ignore[no-untyped-def]
    for j in range(out.shape[0]):
        out[j] = max(a[j], b[j], c[j])


@nb.njit(nogil=True, cache=True)
def _hold_down(values, bound, other, factor, out):  # type: ignore[no-untyped-def]
    for j in range(out.shape[0]):
        out[j] = min(values[j], factor * max(bound[j], other[j]))


@nb.njit(nogil=True, cache=True)
def _opened_along(line, least, out):  # type: ignore[no-untyped-def]
    """The opening of a line by runs of three; ``least`` and it share a first and a last place, for
    which there is no neighbour beyond."""
    n = line.shape[0]
    _least_of_three(line[: n - 2], line[1 : n - 1], line[2:], least[1 : n - 1])
    least[0], least[n - 1] = min(line[0], line[1]), min(line[n - 2], line[n - 1])
    _most_of_three(least[: n - 2], least[1 : n - 1], least[2:], out[1 : n - 1])
    out[0], out[n - 1] = max(least[0], least[1]), max(least[n - 2], least[n - 1])


@nb.njit(nogil=True, cache=True)
def _cut(values, factor, out):  # type: ignore[no-untyped-def]
    """``values``, at most ``factor`` times the larger of their openings by runs of three along rows
    and along columns. At least three rows and columns."""
    rows, columns = values.shape
    least = np.empty((rows, columns), dtype=np.float32)
    for r in range(rows):
        _least_of_three(values[max(r - 1, 0)], values[r], values[min(r + 1, rows - 1)], least[r])
    bound, other = np.empty(columns, dtype=np.float32), np.empty(columns, dtype=np.float32)
    scratch = np.empty(columns, dtype=np.float32)
    for r in range(rows):
        _most_of_three(least[max(r - 1, 0)], least[r], least[min(r + 1, rows - 1)], bound)
        _opened_along(values[r], scratch, other)
        _hold_down(values[r], bound, other, _f32(factor), out[r])


def without_spikes(values: FloatImage) -> FloatImage:
    """``values`` with single pixels, and groups of up to 2 × 2, that stand out brought back to what
    surrounds them.

    A pixel that is in no run of three like itself, along a row or a column (openings and closings
    by such runs), is cut where it is 5 % beyond them. Lines, edges, and the ends of narrow bars are
    such runs and stay as they are: an end that is cut moves with the pixels' phase, and a lead
    tick's tells more than all the metal about it. Fewer than three rows or columns stay as they
    are.
    """
    if min(values.shape) < 3:
        return values.copy()
    cut, filled = np.empty_like(values), np.empty_like(values)
    _cut(values, 1 + SPIKE, cut)
    # A closing is the opening of what is turned about.
    np.negative(cut, out=cut)
    _cut(cut, 1 - SPIKE, filled)
    return np.negative(filled, out=filled)
