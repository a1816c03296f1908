"""Large images as tiled, losslessly compressed TIFF pages with a JSON description and true size.

The same input gives the same bytes: no date, a fixed software tag, tiles in order however many
threads compress them.
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterator, Mapping
from fractions import Fraction
from pathlib import Path
from typing import Any, NoReturn

import numpy as np
import tifffile
from isal import isal_zlib
from numpy.typing import NDArray

from pipeline.errors import InputError

_TILE_COLUMNS = 512
_TILE_ROWS_MOST, _TILE_ROWS_LEAST = 512, 256
_DEFLATE_LEVEL = 2  # on noisy images as small as any other, and the fastest
_CLASSIC_LIMIT = 2**32 - 2**26  # room for the headers below what 32-bit offsets reach
_EXPANSION = 1.02  # zlib adds at most 5 bytes per 16 KiB to what it can't compress


def tile_shape(rows: int) -> tuple[int, int]:
    """Tile height and width for an image of so many rows: multiples of 16, as TIFF asks.

    The height is what pads the last row of tiles least, and the largest of equals: 1600 rows
    make 4 tiles of 400, where 512 would write 2048.
    """
    heights = range(_TILE_ROWS_MOST, _TILE_ROWS_LEAST - 1, -16)
    if rows <= _TILE_ROWS_MOST:
        return max(16, -(-rows // 16) * 16), _TILE_COLUMNS
    return min(heights, key=lambda height: -(-rows // height) * height), _TILE_COLUMNS


def open_writer(path: Path, pixel_bytes: int) -> tifffile.TiffWriter:
    """A writer for pages of so many bytes in all, before compression."""
    return tifffile.TiffWriter(path, bigtiff=pixel_bytes * _EXPANSION > _CLASSIC_LIMIT)


def write_page(
    tiff: tifffile.TiffWriter,
    image: NDArray[Any],
    *,
    pitch_mm: float,
    description: Mapping[str, object] | None,
    reduced: bool = False,
) -> None:
    """Append ``image`` (unsigned integers, 2-D) as a page; a ``reduced`` one is an overview.

    Beside the image one tile is held. ``description`` must be JSON with finite numbers.
    """
    tile = tile_shape(image.shape[0])
    per_cm = _pixels_per_cm(pitch_mm)
    tiff.write(
        _coded_tiles(image, tile),
        shape=image.shape,
        dtype=image.dtype,
        tile=tile,
        photometric="minisblack",
        compression="zlib",
        predictor=True,
        resolution=(per_cm, per_cm),
        resolutionunit="CENTIMETER",
        subfiletype=1 if reduced else 0,
        description=None if description is None else _json(description),
        software="girthstrip",
        metadata=None,
    )


def read_page(
    path: Path, tiff: tifffile.TiffFile, number: int, dtype: type, schema: str
) -> tuple[NDArray[Any], dict[str, Any]]:
    """Page ``number`` and its description, checked before its pixels are read.

    Raises:
        InputError: there is no such page, or it is cut short, or not of this type and schema.
    """
    if number >= len(tiff.pages):
        refuse(path, f"has no page {number}", schema)
    page = tiff.pages[number]
    if page.dtype != np.dtype(dtype) or len(page.shape) != 2:
        refuse(path, f"page {number} is {page.dtype} {page.shape}", f"2-D {np.dtype(dtype).name}")
    try:
        record = json.loads(page.description)
    except ValueError:
        record = None
    if not isinstance(record, dict) or record.get("schema") != schema:
        refuse(path, f"page {number} was not written by girthstrip", f"schema {schema}")
    size = tiff.filehandle.size
    ends = [o + n for o, n in zip(page.dataoffsets, page.databytecounts, strict=True)]
    if not ends or max(ends) > size or 0 in page.databytecounts:
        refuse(path, f"page {number} is cut short", f"at least {max(ends, default=1)} bytes")
    return page.asarray(maxworkers=1), record


def refuse(path: Path, what: str, expected: str) -> NoReturn:
    """Raise the error for a result file that can't be used."""
    raise InputError(
        what, where=str(path), expected=expected, remedy="Copy the result again, or stitch it anew"
    )


def _coded_tiles(image: NDArray[Any], tile: tuple[int, int]) -> Iterator[bytes]:
    """The tiles as TIFF stores them: zeros beyond the image, each row as differences (TIFF 6.0,
    section 14), deflated."""
    whole = np.zeros(tile, dtype=image.dtype)
    for top in range(0, image.shape[0], tile[0]):
        for left in range(0, image.shape[1], tile[1]):
            part = image[top : top + tile[0], left : left + tile[1]]
            if part.shape != tile:
                whole.fill(0)
            inside = whole[: part.shape[0], : part.shape[1]]
            inside[:, 0] = part[:, 0]
            np.subtract(part[:, 1:], part[:, :-1], out=inside[:, 1:])  # wraps, as it should
            yield isal_zlib.compress(whole, _DEFLATE_LEVEL)


def _pixels_per_cm(pitch_mm: float) -> tuple[int, int]:
    """10/pitch as numerator and denominator of 32 bits: exact where the pitch is decimal."""
    ratio = Fraction(10) / Fraction(repr(float(pitch_mm)))
    most = (2**32 - 1) // max(1, math.ceil(ratio))
    ratio = ratio.limit_denominator(max(1, most))
    return ratio.numerator, ratio.denominator


def _json(description: Mapping[str, object]) -> str:
    """TIFF text is 7-bit, so everything else is escaped."""
    return json.dumps(description, sort_keys=True, ensure_ascii=True, allow_nan=False)
