"""The strip while it grows: only the blocks that frames still touch are held unfinished."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from pipeline.kernels.repair import close_holes
from pipeline.kernels.resample import (
    BLOCK,
    COUNT,
    SUM_VALUE,
    SUM_VARIANCE,
    SUM_WEIGHT,
    TILE_SUMS,
)
from pipeline.model import Origin, Strip, StripGrid

SIGMA_SCALE = 0.05  # gray values a step of the stored noise; 65535 steps are 3277 gray values


class GrowingStrip:
    """Accumulates blocks of strip columns and turns finished ones into the strip's own pixels.

    Memory: the strip and its maps, plus one tile of float32 sums for every open block.
    """

    def __init__(self, grid: StripGrid) -> None:
        shape = (grid.rows, grid.columns)
        self.grid = grid
        self.values = np.zeros(shape, dtype=np.uint16)
        self.sigma = np.zeros(shape, dtype=np.uint16)
        self.count = np.zeros(shape, dtype=np.uint8)
        self.origin = np.full(shape, Origin.NOT_COVERED, dtype=np.uint8)
        self.clipped = 0
        self._open: dict[int, NDArray[np.float32]] = {}
        self._spare: list[NDArray[np.float32]] = []

    def tile(self, block: int) -> NDArray[np.float32]:
        """The sums (rows, TILE_SUMS, BLOCK) of a block, opened with zeros when new."""
        if block not in self._open:
            tile = (
                self._spare.pop()
                if self._spare
                else np.empty((self.grid.rows, TILE_SUMS, BLOCK), dtype=np.float32)
            )
            tile.fill(0)
            self._open[block] = tile
        return self._open[block]

    def finish(self, blocks: set[int] | None = None) -> None:
        """Write the given open blocks (None: all) into the strip."""
        for block in sorted(self._open if blocks is None else blocks & self._open.keys()):
            tile = self._open.pop(block)
            self._write(block, tile)
            self._spare.append(tile)

    @property
    def open_blocks(self) -> set[int]:
        """The numbers of the blocks still open."""
        return set(self._open)

    def _write(self, block: int, tile: NDArray[np.float32]) -> None:
        where = slice(block * BLOCK, min((block + 1) * BLOCK, self.grid.columns))
        inside = tile[:, :, : where.stop - where.start]
        weight, value, variance, count = (
            inside[:, k] for k in (SUM_WEIGHT, SUM_VALUE, SUM_VARIANCE, COUNT)
        )
        seen = weight > 0
        safe = np.where(seen, weight, 1)
        mean = np.rint(np.where(seen, value / safe, 0))
        self.clipped += int(np.count_nonzero(mean > np.iinfo(np.uint16).max))
        # A measured pixel is at least 1, so that 0 always means that nothing is known.
        mean = np.where(seen, np.clip(mean, 1, np.iinfo(np.uint16).max), 0)
        noise = np.sqrt(variance) / safe / SIGMA_SCALE
        self.values[:, where] = mean
        self.sigma[:, where] = np.where(seen, np.clip(np.rint(noise), 1, 65535), 0)
        self.count[:, where] = np.minimum(count, 255)
        self.origin[:, where] = np.where(seen, Origin.MEASURED, Origin.NOT_COVERED)

    def strip(self, *, fill_radius_px: int) -> tuple[Strip, int]:
        """The finished strip, small holes filled from their neighbours; how many were filled.

        A ring's holes at the datum are filled across it only from their own side.
        """
        self.finish()
        filled = 0
        if fill_radius_px > 0:
            filled = close_holes(
                self.values,
                self.sigma,
                self.origin,
                radius_px=fill_radius_px,
                measured=int(Origin.MEASURED),
                filled=int(Origin.FILLED),
            )
        strip = Strip(self.grid, self.values, self.sigma, self.count, self.origin, SIGMA_SCALE)
        return strip, filled
