"""Parts of large tiled TIFF pages, read tile by tile: a few tiles are held, however large."""

from __future__ import annotations

import json
import os
import threading
import weakref
from collections import OrderedDict
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import count as counter
from pathlib import Path
from typing import Any

import numpy as np
import tifffile
from numpy.typing import NDArray

from pipeline.io.tiled_tiff import refuse

_LARGEST_TILE = 2**22  # pixels; girthstrip writes 2**18
_CACHE_BYTES = 16 * 2**20

Image = NDArray[Any]
_numbers = counter()


class TileCache:
    """The tiles last used, up to ``most_bytes``; for several threads at once."""

    def __init__(self, most_bytes: int = _CACHE_BYTES) -> None:
        self._most, self._held = most_bytes, 0
        self._tiles: OrderedDict[tuple[int, int, int], Image] = OrderedDict()
        self._lock = threading.Lock()

    def get(self, key: tuple[int, int, int]) -> Image | None:
        """A tile by its image, page and number; None if it isn't held."""
        with self._lock:
            tile = self._tiles.get(key)
            if tile is not None:
                self._tiles.move_to_end(key)
            return tile

    def put(self, key: tuple[int, int, int], tile: Image) -> None:
        """Hold a tile, and let go of those not used for longest."""
        with self._lock:
            if key in self._tiles:
                return
            self._tiles[key] = tile
            self._held += tile.nbytes
            while self._held > self._most and len(self._tiles) > 1:
                _, gone = self._tiles.popitem(last=False)
                self._held -= gone.nbytes


@dataclass(frozen=True, slots=True)
class _Level:
    """A page: its size, its tiles' size, where they lie in the file, and how they are decoded."""

    page: Any  # tifffile.TiffPage; its decode() needs no open file
    shape: tuple[int, int]
    tile: tuple[int, int]


class TiledImage:
    """The pages of one file that girthstrip wrote; it stays open as long as somebody holds this.

    ``metadata`` is the description of each page, empty for overviews.
    """

    def __init__(self, path: Path, schema: str, cache: TileCache) -> None:
        """Look at the headers only.

        Raises:
            InputError: it can't be read, or isn't a file of this ``schema``, or is cut short.
        """
        self.path, self._cache = path, cache
        self.metadata: list[dict[str, Any]] = []
        self._levels: list[_Level] = []
        try:
            with tifffile.TiffFile(path) as tiff:
                size = tiff.filehandle.size
                for number in range(len(tiff.pages)):
                    self._add(tiff.pages[number], number, size, schema)
        except (OSError, ValueError, RuntimeError, MemoryError, TypeError, IndexError) as error:
            refuse(path, f"can't be read ({error})", "a TIFF that girthstrip wrote")
        if not self._levels:
            refuse(path, "has no pages", "a TIFF that girthstrip wrote")
        self._number = next(_numbers)
        self._file = os.open(path, os.O_RDONLY | os.O_NOFOLLOW)
        weakref.finalize(self, os.close, self._file)

    @property
    def pages(self) -> int:
        """How many pages there are."""
        return len(self._levels)

    def shape(self, page: int = 0) -> tuple[int, int]:
        """(rows, columns) of a page."""
        return self._levels[page].shape

    def read(self, rows: Sequence[int], columns: Sequence[int], page: int = 0) -> Image:
        """Rows and columns [first, end) of a page, which must lie in it.

        Raises:
            InputError: a tile can't be decoded.
        """
        level = self._levels[page]
        (top, bottom), (left, right) = rows, columns
        if not (0 <= top <= bottom <= level.shape[0] and 0 <= left <= right <= level.shape[1]):
            raise ValueError(f"rows {rows}, columns {columns} don't lie in {level.shape}")
        out = np.empty((bottom - top, right - left), dtype=level.page.dtype)
        height, width = level.tile
        across = -(-level.shape[1] // width)
        for i in range(top // height, -(-bottom // height)):
            for j in range(left // width, -(-right // width)):
                tile = self._tile(page, i * across + j)
                y, x = i * height, j * width
                low, high = max(top, y), min(bottom, y + height)
                first, end = max(left, x), min(right, x + width)
                out[low - top : high - top, first - left : end - left] = tile[
                    low - y : high - y, first - x : end - x
                ]
        return out

    def _add(self, page: Any, number: int, size: int, schema: str) -> None:
        tile = (int(page.tilelength), int(page.tilewidth)) if page.is_tiled else (0, 0)
        shape = tuple(int(one) for one in page.shape)
        sound = len(shape) == 2 and 0 < tile[0] * tile[1] <= _LARGEST_TILE and min(shape) > 0
        if not sound or page.dtype not in (np.dtype(np.uint8), np.dtype(np.uint16)):
            refuse(self.path, f"page {number} is {page.dtype} {shape}", "tiles of whole numbers")
        tiles = -(-shape[0] // tile[0]) * -(-shape[1] // tile[1])
        offsets, counts = page.dataoffsets, page.databytecounts
        if len(offsets) != tiles or len(counts) != tiles or 0 in counts:
            refuse(self.path, f"page {number} lacks tiles", f"{tiles} tiles")
        if max(at + count for at, count in zip(offsets, counts, strict=True)) > size:
            refuse(self.path, f"page {number} is cut short", "a whole file")
        record = {}
        if number == 0 or page.description:
            record = json.loads(page.description)
            if not isinstance(record, dict) or record.get("schema") != schema:
                refuse(self.path, f"page {number} was not written by girthstrip", schema)
        self.metadata.append(record)
        self._levels.append(_Level(page, (shape[0], shape[1]), tile))

    def _tile(self, page: int, number: int) -> Image:
        key = (self._number, page, number)
        held = self._cache.get(key)
        if held is not None:
            return held
        level = self._levels[page]
        try:
            offset, count = level.page.dataoffsets[number], level.page.databytecounts[number]
            data = os.pread(self._file, count, offset)
            decoded, _, _ = level.page.decode(data, number)
            tile = np.asarray(decoded).reshape(decoded.shape[1:3])
        except Exception as error:  # codecs raise errors of their own
            refuse(self.path, f"a tile of page {page} is damaged ({error})", "intact pixels")
        self._cache.put(key, tile)
        return tile
