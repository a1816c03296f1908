"""One open weld: its quality log, and its strip and maps to be read in parts."""

from __future__ import annotations

import math
import threading
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.config.weld import WeldJob, load_weld_config
from pipeline.errors import InputError
from pipeline.io.folders import LOG_FILE
from pipeline.io.image_tiles import TileCache, TiledImage
from pipeline.io.strip import MAPS_SCHEMA, STRIP_SCHEMA
from pipeline.model import FlagImage, RawImage, StripGrid
from pipeline.quality.log import QualityLog
from pipeline.quality.noted.strip_places import StripPlaces
from pipeline.review.answers import BAD, RequestError
from pipeline.review.finding import CONFIG_FILE, MAPS_FILE, STRIP_FILE, require_plain

COUNT, ORIGIN, SIGMA = range(3)
"""Pages of ``maps.tif``."""
FRAMES = "frames"
"""Under which key of ``kept`` a weld's frames and calibration are held: the largest of what is."""
MOST_PIXELS = 4_000_000
"""Of a part of the strip that a request may ask for."""


@dataclass(frozen=True, slots=True)
class Part:
    """A part of the strip with its maps, (rows, columns) of ``grid``; on a ring it may lie across
    the datum, and ``grid`` then counts on beyond the circumference."""

    grid: StripGrid
    values: RawImage
    count: FlagImage
    origin: FlagImage
    sigma: RawImage


class OpenWeld:
    """A result folder that was found sound; safe for several threads."""

    def __init__(self, folder: Path, cache: TileCache) -> None:
        """Read the log and the images' headers.

        Raises:
            InputError: something is missing, damaged, or not of one run.
        """
        self.folder = folder
        self.busy = threading.Lock()  # held while something is worked out that is then ``kept``
        self.kept: dict[str, Any] = {}
        for name in (LOG_FILE, STRIP_FILE, MAPS_FILE):
            require_plain(folder / name)
        where = str(folder / LOG_FILE)
        try:
            text = (folder / LOG_FILE).read_text(encoding="utf-8")
        except (OSError, UnicodeDecodeError) as error:
            raise InputError(f"can't be read ({error})", where=where) from error
        self.log = QualityLog.from_json(text, where=where)
        self.strip = TiledImage(folder / STRIP_FILE, STRIP_SCHEMA, cache)
        self.maps = TiledImage(folder / MAPS_FILE, MAPS_SCHEMA, cache)
        self._require_one_run()
        self.places = StripPlaces.of(self.log)

    @cached_property
    def grid(self) -> StripGrid:
        """Where the strip's pixels lie."""
        told = self.log.strip
        overrun = round(told.overrun_mm / told.pitch_mm)
        return StripGrid(
            told.rows,
            told.columns - overrun,
            told.pitch_mm,
            told.s_first_mm,
            told.z_first_mm,
            told.ring,
            overrun,
        )

    @cached_property
    def job(self) -> WeldJob | None:
        """The config that made the strip; None where it isn't there or can't be read any more."""
        try:
            require_plain(self.folder / CONFIG_FILE)
            return load_weld_config(self.folder / CONFIG_FILE)
        except InputError:
            return None

    def pixel(self, s_mm: float, z_mm: float) -> tuple[int, int]:
        """(row, column) of the pixel nearest to a place.

        Raises:
            RequestError: it doesn't lie on the strip.
        """
        grid = self.grid
        s = self.places.first_turn(s_mm)
        row = round((z_mm - grid.z_first_mm) / grid.pitch_mm)
        column = round((s - grid.s_first_mm) / grid.pitch_mm)
        if grid.ring:
            column %= grid.columns
        if not (0 <= row < grid.rows and 0 <= column < grid.columns):
            raise RequestError(BAD, "the place doesn't lie on the strip", expected=self.extent())
        return row, column

    def extent(self) -> str:
        """From where to where the strip reaches, in words."""
        grid = self.grid
        s_end = grid.s_first_mm + (grid.columns - 1) * grid.pitch_mm
        z_end = grid.z_first_mm + (grid.rows - 1) * grid.pitch_mm
        around = " (any s, round the ring)" if grid.ring else ""
        return (
            f"s from {grid.s_first_mm:.1f} to {s_end:.1f} mm{around}, "
            f"z from {grid.z_first_mm:.1f} to {z_end:.1f} mm"
        )

    def part(self, s_mm: tuple[float, float], z_mm: tuple[float, float]) -> Part:
        """The pixels between two places, the outer ones included, as far as the strip reaches.

        Raises:
            RequestError: nothing of the strip lies there, or it is too much at once.
        """
        grid = self.grid
        first, end = self.columns_between(s_mm)
        top = max(0, math.ceil((z_mm[0] - grid.z_first_mm) / grid.pitch_mm - 1e-6))
        bottom = min(grid.rows, math.floor((z_mm[1] - grid.z_first_mm) / grid.pitch_mm + 1e-6) + 1)
        if bottom <= top or end <= first:
            raise RequestError(BAD, "nothing of the strip lies there", expected=self.extent())
        if (bottom - top) * (end - first) > MOST_PIXELS:
            raise RequestError(
                BAD,
                f"{(bottom - top) * (end - first)} pixels are too many at once",
                expected=f"at most {MOST_PIXELS} pixels",
                remedy="Choose a smaller part",
            )
        rows = (top, bottom)
        own = StripGrid(
            bottom - top,
            end - first,
            grid.pitch_mm,
            grid.s_first_mm + first * grid.pitch_mm,
            grid.z_first_mm + top * grid.pitch_mm,
            ring=False,
        )
        return Part(
            own,
            self._cut(self.strip, 0, rows, (first, end)),
            self._cut(self.maps, COUNT, rows, (first, end)),
            self._cut(self.maps, ORIGIN, rows, (first, end)),
            self._cut(self.maps, SIGMA, rows, (first, end)),
        )

    def columns_between(self, s_mm: tuple[float, float]) -> tuple[int, int]:
        """Columns [first, end) between two places; on a ring from the first turn on, once round
        at most, and the end may lie beyond the last column."""
        grid = self.grid
        low, high = ((s - grid.s_first_mm) / grid.pitch_mm for s in s_mm)
        if not (math.isfinite(low) and math.isfinite(high)):
            raise RequestError(BAD, "the places are no numbers", expected=self.extent())
        first, end = math.ceil(low - 1e-6), math.floor(high + 1e-6) + 1
        if not grid.ring:
            return max(first, 0), min(end, grid.columns)
        end = min(end, first + grid.columns)
        turn = first // grid.columns * grid.columns
        return first - turn, end - turn

    def _cut(
        self, image: TiledImage, page: int, rows: tuple[int, int], columns: tuple[int, int]
    ) -> NDArray[Any]:
        """A part of a page, put together from both sides of the datum where it lies across it."""
        around = self.grid.columns
        first, end = columns
        if end <= around:
            return image.read(rows, columns, page)
        before = image.read(rows, (first, around), page)
        return np.concatenate([before, image.read(rows, (0, end - around), page)], axis=1)

    def _require_one_run(self) -> None:
        told = self.log.strip
        shape, digests = (told.rows, told.columns), {self.maps.shape(k) for k in range(3)}
        if self.maps.pages != 3 or digests != {shape} or self.strip.shape() != shape:
            raise InputError(
                f"strip and maps aren't of the size that {LOG_FILE} tells",
                where=str(self.folder),
                expected=f"{shape[1]} × {shape[0]} pixels",
                remedy="Copy the result again, or stitch it anew",
            )
        whose = {str(one.get("weld")) for one in (self.strip.metadata[0], self.maps.metadata[0])}
        if whose != {self.log.weld.id}:
            raise InputError(
                f"strip and maps are of weld {', '.join(sorted(whose))}",
                where=str(self.folder),
                expected=f"{self.log.weld.id}, as {LOG_FILE} tells",
                remedy="Copy the result again, or stitch it anew",
            )
