"""Strips with a plain weld along their middle, made of Poisson noise by the strip's own kernel.

Gray values are quanta, so an expected gray value N has the SNR √N in one frame and √(n·N) in the
mean of n. Nothing of the measures is in here.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.kernels.resample import C0, COLUMN_TABLE, PLACES, R0, STEP, unroll
from pipeline.model import Frame, StripGrid
from pipeline.stages.distortion import FrameMap

PITCH_MM = 0.1
CAP_HALF_MM = 5.0
PLATE_QUANTA = 20_000.0
CAP_DEPTH = 0.12  # logarithm of gray values in the cap's middle


@dataclass
class PlainWeld:
    """A strip (uint16), its grid, and the frames that it is the mean of, with their maps."""

    values: NDArray[np.uint16]
    grid: StripGrid
    frames: list[tuple[Frame, FrameMap]]

    def snr(self) -> float:
        """On the plate, of as many independent panel pixels as the strip averages."""
        return float(np.sqrt(PLATE_QUANTA * len(self.frames)))


def plain_weld(
    rows: int = 360,
    columns: int = 2400,
    frames: int = 3,
    seed: int = 1,
    grains: NDArray[np.float64] | None = None,
) -> PlainWeld:
    """A strip of ``frames`` frames that each see all of it, at other phases and rows of the panel.

    ``grains`` (rows, columns) multiplies what all of them see: the metal's surface.
    """
    rng = np.random.default_rng(seed)
    grid = StripGrid(rows, columns, PITCH_MM, 0.0, -(rows - 1) / 2 * PITCH_MM, False)
    step = 1.021  # panel pixels a strip pixel
    total = np.zeros((rows, columns), dtype=np.float64)
    taken = []
    for number in range(frames):
        c0, r0 = 6.0 + 0.31 * number, 7.2 + 0.43 * number
        panel = int(rows * step) + 16, int(columns * step) + 16
        z_mm = grid.z_first_mm + (np.arange(panel[0]) - r0) / step * PITCH_MM
        cap = np.maximum(1 - (z_mm / CAP_HALF_MM) ** 2, 0)
        seen = np.repeat(PLATE_QUANTA * np.exp(-CAP_DEPTH * cap)[:, np.newaxis], panel[1], axis=1)
        if grains is not None:
            i = np.clip(np.rint((np.arange(panel[0]) - r0) / step).astype(int), 0, rows - 1)
            j = np.clip(np.rint((np.arange(panel[1]) - c0) / step).astype(int), 0, columns - 1)
            seen *= grains[np.ix_(i, j)]
        values = rng.poisson(seen).astype(np.float32)
        table = np.zeros((COLUMN_TABLE, columns), dtype=np.float32)
        table[C0], table[R0], table[STEP] = c0 + step * np.arange(columns), r0, step
        total += unroll(values, table, rows)
        frame = Frame(number, values, np.zeros(panel, dtype=np.uint8))
        taken.append((frame, FrameMap(0, table[:PLACES], np.zeros(columns))))
    return PlainWeld(np.rint(total / frames).astype(np.uint16), grid, taken)
