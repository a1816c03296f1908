"""A frame as a few hundred numbers: enough to see that it is not like the others of its set."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.model import FloatArray

MOST_CELLS = 16  # along each side
LEAST_CELL_PX = 32
SAMPLES = 20  # along each side of a cell; the middle of 400 is known to 6 % of a pixel's noise


@dataclass(frozen=True, slots=True)
class Sketch:
    """How a panel of ``rows`` × ``columns`` is divided into cells for its sketches.

    Of every cell ``samples`` × ``samples`` pixels are looked at, at most twice as many a side.
    """

    rows: int
    columns: int
    samples: int = SAMPLES

    @property
    def shape(self) -> tuple[int, int]:
        """(cells down, cells across)."""
        down, across = (
            min(max(side // LEAST_CELL_PX, 1), MOST_CELLS) for side in (self.rows, self.columns)
        )
        return down, across

    def of(self, image: NDArray[Any]) -> FloatArray:
        """What every cell of ``image`` (rows, columns) shows, from a regular sample of it.

        The mean of the middle half of its pixels: single ones (particles, bad ones) must not speak
        for a cell, and a median of whole gray values would jump by one.
        """
        down, across = self.shape
        height, width = self.rows // down, self.columns // across
        step_r, step_c = max(height // self.samples, 1), max(width // self.samples, 1)
        high, wide = -(-height // step_r), -(-width // step_c)
        cells = np.empty((down, across, high * wide), image.dtype)
        for row in range(down):
            band = image[row * height : (row + 1) * height : step_r, : across * width]
            parts = band.reshape(high, across, width)[:, :, ::step_c]
            cells[row] = parts.transpose(1, 0, 2).reshape(across, high * wide)
        cells.sort(axis=-1)
        quarter = cells.shape[-1] // 4
        middle = cells[..., quarter : cells.shape[-1] - quarter]
        return np.asarray(middle.mean(axis=-1, dtype=np.float64))

    def centre(self, cell: tuple[int, int]) -> tuple[int, int]:
        """Row and column of the pixel in the middle of a cell."""
        down, across = self.shape
        height, width = self.rows // down, self.columns // across
        return cell[0] * height + height // 2, cell[1] * width + width // 2
