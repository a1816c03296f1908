"""The strip and its maps as files: ``strip.tif`` and ``maps.tif``."""

from __future__ import annotations

import struct
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import tifffile
from numpy.typing import NDArray

from pipeline.io.overview import halve
from pipeline.io.tiled_tiff import open_writer, read_page, refuse, write_page
from pipeline.model import FlagImage, RawImage

STRIP_SCHEMA = "girthstrip.strip/1"
MAPS_SCHEMA = "girthstrip.maps/1"
_SMALLEST_OVERVIEW = 512  # pixels of the longer side
_MAPS = {"count": np.uint8, "origin": np.uint8, "sigma": np.uint16}


@dataclass(frozen=True, slots=True)
class StripMaps:
    """Beside each strip pixel: how it came about; all (rows, columns) of the strip.

    ``count``: frames that measured it (uint8). ``origin``: values of ``Origin`` (uint8).
    ``sigma``: predicted noise (uint16), times ``metadata["sigma_scale"]`` in gray values.
    """

    count: FlagImage
    origin: FlagImage
    sigma: RawImage
    metadata: Mapping[str, Any]


def write_strip(
    path: Path, strip: RawImage, *, pitch_mm: float, metadata: Mapping[str, object]
) -> None:
    """Write the strip (uint16) with overviews by halves down to about 512 pixels.

    Overviews are ordinary pages of the kind "reduced", each the 2 × 2 mean of the one before.
    ``metadata`` (JSON, finite numbers) goes into the description together with ``pitch_mm``.
    Beside the strip, the first two overviews and a few tiles are held, 0.4 of its size.
    """
    _require_kind("strip", strip, np.uint16)
    description = {**metadata, "pitch_mm": pitch_mm, "schema": STRIP_SCHEMA}
    with open_writer(path, strip.nbytes * 4 // 3) as tiff:
        write_page(tiff, strip, pitch_mm=pitch_mm, description=description)
        level, level_pitch_mm = strip, pitch_mm
        while max(level.shape) > _SMALLEST_OVERVIEW:
            level, level_pitch_mm = halve(level), 2 * level_pitch_mm
            write_page(tiff, level, pitch_mm=level_pitch_mm, description=None, reduced=True)


def read_strip(path: Path) -> tuple[RawImage, dict[str, Any]]:
    """The strip at full size, and its metadata with ``pitch_mm``.

    Raises:
        InputError: the file can't be read, or isn't a strip that ``write_strip`` wrote.
    """
    try:
        with tifffile.TiffFile(path) as tiff:
            strip, record = read_page(path, tiff, 0, np.uint16, STRIP_SCHEMA)
    except (OSError, ValueError, RuntimeError, MemoryError, struct.error) as error:
        refuse(path, f"can't be read ({error})", "a strip in TIFF")
    del record["schema"]
    return strip, record


def write_maps(
    path: Path,
    *,
    count: FlagImage,
    origin: FlagImage,
    sigma: RawImage,
    pitch_mm: float,
    metadata: Mapping[str, object],
) -> None:
    """Write the three maps of ``StripMaps``, a page each, all of the strip's size."""
    maps: dict[str, NDArray[Any]] = {"count": count, "origin": origin, "sigma": sigma}
    for name, image in maps.items():
        _require_kind(name, image, _MAPS[name])
        if image.shape != count.shape:
            raise ValueError(f"{name} is {image.shape}, count {count.shape}")
    with open_writer(path, sum(image.nbytes for image in maps.values())) as tiff:
        for name, image in maps.items():
            description = {**metadata, "map": name, "pitch_mm": pitch_mm, "schema": MAPS_SCHEMA}
            write_page(tiff, image, pitch_mm=pitch_mm, description=description)


def read_maps(path: Path) -> StripMaps:
    """The three maps, and their metadata with ``pitch_mm``.

    Raises:
        InputError: the file can't be read, or doesn't hold the maps that ``write_maps`` wrote.
    """
    images: dict[str, NDArray[Any]] = {}
    record: dict[str, Any] = {}
    try:
        with tifffile.TiffFile(path) as tiff:
            for number, (name, kind) in enumerate(_MAPS.items()):
                images[name], record = read_page(path, tiff, number, kind, MAPS_SCHEMA)
                if record.pop("map", None) != name:
                    refuse(path, f"page {number} is another map", name)
    except (OSError, ValueError, RuntimeError, MemoryError, struct.error) as error:
        refuse(path, f"can't be read ({error})", "three maps in TIFF")
    if len({image.shape for image in images.values()}) != 1:
        refuse(path, "has maps of different sizes", "three of the strip's size")
    del record["schema"]
    return StripMaps(images["count"], images["origin"], images["sigma"], record)


def _require_kind(name: str, image: NDArray[Any], kind: type) -> None:
    if image.dtype != np.dtype(kind) or image.ndim != 2 or not image.size:
        raise ValueError(
            f"{name} must be 2-D {np.dtype(kind).name}, not {image.dtype} {image.shape}"
        )
