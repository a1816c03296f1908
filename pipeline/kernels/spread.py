"""How far frames lie apart in the strip: what a block's sums tell of its cells."""

from __future__ import annotations

import numba as nb
import numpy as np

from pipeline.kernels.resample import (
    COUNT,
    SPREAD_ROWS,
    SUM_EXPECTED,
    SUM_SQUARE,
    SUM_VALUE,
    SUM_VARIANCE,
    SUM_WEIGHT,
)

CELL_SAMPLES = 16  # sampled rows that make up a cell: as high as a block is wide

_f32 = np.float32


def spread_rows(rows: int) -> int:
    """How many of so many strip rows are sampled for `cell_spread`."""
    return -(-rows // SPREAD_ROWS)


@nb.njit(nogil=True, cache=True)
def cell_spread(tile, spread, squares, expected, shared):  # type: ignore[no-untyped-def]
    """How far the frames of a block lie apart, cell by cell down its rows.

    Out, (cells,) float64: ``squares`` Σ w (v − mean)² over the cell's sampled pixels that several
    frames measured, ``expected`` what noise alone makes of it, Σ w σ² − Σ w² σ² / Σ w, ``shared``
    how many such pixels there are. ``tile`` and ``spread`` as `accumulate_block` left them; a cell
    is CELL_SAMPLES sampled rows high.
    """
    n = tile.shape[2]
    squares[:], expected[:], shared[:] = 0.0, 0.0, 0.0
    for row in range(spread.shape[0]):
        sums, extra, cell = tile[row * SPREAD_ROWS], spread[row], row // CELL_SAMPLES
        for j in range(n):
            if sums[COUNT, j] > _f32(1):
                weight = np.float64(sums[SUM_WEIGHT, j])
                value = np.float64(sums[SUM_VALUE, j])
                squares[cell] += extra[SUM_SQUARE, j] - value * value / weight
                expected[cell] += extra[SUM_EXPECTED, j] - sums[SUM_VARIANCE, j] / weight
                shared[cell] += 1
