"""Where the frames of a strip disagree most once all are in their places, seam by seam."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.kernels.resample import BLOCK
from pipeline.kernels.spread import CELL_ROWS
from pipeline.model import FloatArray, Strip


@dataclass(frozen=True, slots=True)
class WorstCell:
    """The cell at (``s_mm``, ``z_mm``), its centre, where the frames lie ``sigmas`` apart: the root
    mean square of their differences in units of what noise alone makes of it (about 1)."""

    s_mm: float
    z_mm: float
    sigmas: float


def worst_cells(
    strip: Strip, seam_mm: Sequence[float], circumference_mm: float | None
) -> list[WorstCell | None]:
    """For each seam the worst of the cells that lie nearer to it than to any other seam.

    Unlike what a tie leaves after its own shift was found, this shows what the strip holds: also
    where frames lie beside each other because a stand-off, a tilt or a position is wrong. A seam
    in whose cells no two frames overlap has None. For a ring (circumference given) the nearest
    seam is looked for across the datum too.
    """
    if not seam_mm:
        return []
    grid, cells = strip.grid, strip.disagreement
    s_mm = grid.s_first_mm + grid.pitch_mm * _centres(cells.shape[1], BLOCK, grid.columns)
    z_mm = grid.z_first_mm + grid.pitch_mm * _centres(cells.shape[0], CELL_ROWS, grid.rows)
    away = s_mm[:, np.newaxis] - np.asarray(seam_mm)
    if circumference_mm is not None:
        away -= circumference_mm * np.rint(away / circumference_mm)
    nearest = np.abs(away).argmin(axis=1)
    worst: list[WorstCell | None] = []
    for seam in range(len(seam_mm)):
        mine = np.where(nearest == seam, cells, 0)
        if not mine.any():
            worst.append(None)
            continue
        row, column = np.unravel_index(int(mine.argmax()), mine.shape)
        worst.append(WorstCell(float(s_mm[column]), float(z_mm[row]), float(cells[row, column])))
    return worst


def _centres(count: int, size: int, whole: int) -> FloatArray:
    """The middle of each of ``count`` cells of ``size``, the last cut off at ``whole``; px."""
    first = size * np.arange(count)
    return np.asarray((first + np.minimum(first + size, whole) - 1) / 2)
