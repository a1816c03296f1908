"""How far frames lie apart in the strip: what a block's sums tell of its cells."""

from __future__ import annotations

import numba as nb
import numpy as np

from pipeline.kernels.resample import (
    BLOCK,
    COUNT,
    SPREAD_COLUMNS,
    SUM_EXPECTED,
    SUM_SQUARE,
    SUM_VALUE,
    SUM_VARIANCE,
    SUM_WEIGHT,
)

CELL_ROWS = BLOCK  # of a cell: as high as a block is wide

_f32 = np.float32


@nb.njit(nogil=True, cache=True)
def cell_spread(tile, spread, squares, expected, shared):  # type: ignore[no-untyped-def]
    """How far the frames of a block lie apart, cell by cell down its rows.

    Out, (cells,) float64: ``squares`` Σ w (v − mean)² over the cell's sampled pixels that several
    frames measured, ``expected`` what noise alone makes of it, Σ w σ² − Σ w² σ² / Σ w, ``shared``
    how many such pixels there are. ``tile`` and ``spread`` as `accumulate` left them; a cell is
    CELL_ROWS rows high.
    """
    squares[:], expected[:], shared[:] = 0.0, 0.0, 0.0
    for j in range(spread.shape[0]):
        sums, extra = tile[j * SPREAD_COLUMNS], spread[j]
        for i in range(tile.shape[2]):
            if sums[COUNT, i] > _f32(1):
                cell = i // CELL_ROWS
                weight = np.float64(sums[SUM_WEIGHT, i])
                value = np.float64(sums[SUM_VALUE, i])
                squares[cell] += extra[SUM_SQUARE, i] - value * value / weight
                expected[cell] += extra[SUM_EXPECTED, i] - sums[SUM_VARIANCE, i] / weight
                shared[cell] += 1
