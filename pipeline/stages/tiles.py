"""The strip while it grows: only the blocks that frames still touch are held unfinished."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass

import numpy as np

from pipeline.kernels.repair import close_holes
from pipeline.kernels.resample import BLOCK, SPREAD_COLUMNS, SPREAD_SUMS, TILE_SUMS
from pipeline.kernels.spread import CELL_ROWS, cell_spread
from pipeline.kernels.strip_pixels import finish_tile
from pipeline.model import FloatImage, Origin, Strip, StripGrid

SIGMA_SCALE = 0.25  # gray values a step of the stored noise: below 1 % of any panel's noise
_LEAST_SHARED = 0.1  # of a cell's pixels that several frames measured, else it tells nothing


@dataclass(frozen=True, slots=True)
class Tile:
    """What a block of the strip sums up: ``sums`` (BLOCK, TILE_SUMS, rows) and, for some columns,
    ``spread`` (sampled columns, SPREAD_SUMS, rows); both float32."""

    sums: FloatImage
    spread: FloatImage

    @staticmethod
    def empty(rows: int) -> Tile:
        """A tile for a strip of so many rows, not yet zeroed."""
        return Tile(
            np.empty((BLOCK, TILE_SUMS, rows), dtype=np.float32),
            np.empty((BLOCK // SPREAD_COLUMNS, SPREAD_SUMS, rows), dtype=np.float32),
        )

    def clear(self) -> None:
        """All sums to zero."""
        self.sums.fill(0)
        self.spread.fill(0)


class GrowingStrip:
    """Accumulates blocks of strip columns and turns finished ones into the strip's own pixels.

    Memory: the strip and its maps, plus one tile of float32 sums for every open block.
    """

    def __init__(self, grid: StripGrid) -> None:
        shape = grid.shape
        self.grid = grid
        self.values = np.zeros(shape, dtype=np.uint16)
        self.sigma = np.zeros(shape, dtype=np.uint16)
        self.count = np.zeros(shape, dtype=np.uint8)
        self.origin = np.full(shape, Origin.NOT_COVERED, dtype=np.uint8)
        self.clipped = 0
        cells = -(-grid.rows // CELL_ROWS)
        self.disagreement = np.zeros((cells, -(-grid.columns // BLOCK)), dtype=np.float32)
        self._open: dict[int, Tile] = {}
        self._spare: list[Tile] = []

    def tile(self, block: int) -> Tile:
        """The sums of a block, opened with zeros when new."""
        if block not in self._open:
            tile = self._spare.pop() if self._spare else Tile.empty(self.grid.rows)
            tile.clear()
            self._open[block] = tile
        return self._open[block]

    def add(
        self,
        parts: Mapping[int, Sequence[Callable[[Tile], None]]],
        complete: set[int],
        pool: Executor,
    ) -> None:
        """Let the parts of each block add to its sums, one after the other, and write the blocks
        into the strip that are ``complete`` then."""
        tiles = {block: self.tile(block) for block in sorted(parts.keys() | complete)}

        def sum_up(block: int) -> int:
            for part in parts.get(block, ()):
                part(tiles[block])
            return self._write(block, tiles[block]) if block in complete else 0

        self.clipped += sum(pool.map(sum_up, tiles))
        self._spare += [self._open.pop(block) for block in sorted(complete)]

    @property
    def open_blocks(self) -> set[int]:
        """The numbers of the blocks still open."""
        return set(self._open)

    def _write(self, block: int, tile: Tile) -> int:
        """Turn a block's sums into pixels; returns how many were too bright for 16 bits."""
        where = slice(block * BLOCK, min((block + 1) * BLOCK, self.grid.columns))
        count = self.count[:, where]
        clipped = finish_tile(
            tile.sums, np.float32(SIGMA_SCALE), self.values[:, where], self.sigma[:, where], count
        )
        self.origin[:, where] = (count > 0) * np.uint8(Origin.MEASURED)
        squares, expected, shared = np.empty((3, len(self.disagreement)))
        cell_spread(tile.sums, tile.spread, squares, expected, shared)
        told = shared >= _LEAST_SHARED * CELL_ROWS * (BLOCK // SPREAD_COLUMNS)
        self.disagreement[told, block] = np.sqrt(np.maximum(squares[told], 0) / expected[told])
        return int(clipped)

    def strip(self, pool: Executor, *, fill_radius_px: int) -> tuple[Strip, int]:
        """The finished strip, small holes filled from their neighbours; how many were filled.

        A ring's holes at the datum are filled across it only from their own side.
        """
        self.add({}, self.open_blocks, pool)
        once = (slice(None), slice(self.grid.columns))
        filled = 0
        if fill_radius_px > 0:
            filled = close_holes(
                self.values[once], self.sigma[once], self.origin[once], radius_px=fill_radius_px
            )
        for image in (self.values, self.sigma, self.count, self.origin):
            image[:, self.grid.columns :] = image[:, : self.grid.overrun]
        strip = Strip(
            self.grid,
            self.values,
            self.sigma,
            self.count,
            self.origin,
            SIGMA_SCALE,
            self.disagreement,
        )
        return strip, filled
