"""A smaller copy of a strip, out of the overviews that its file holds: read without the strip."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import tifffile

from pipeline.io.strip import STRIP_SCHEMA
from pipeline.io.tiled_tiff import refuse
from pipeline.model import RawImage


@dataclass(frozen=True, slots=True)
class StripOverview:
    """``values`` (uint16, rows along the pipe) with square pixels of ``pitch_mm``; ``metadata`` is
    the strip's own."""

    values: RawImage
    pitch_mm: float
    metadata: dict[str, Any]


def read_overview(path: Path, coarsest_mm: float) -> StripOverview:
    """The smallest copy whose pixels are no larger than that; the strip itself if all are.

    Raises:
        InputError: the file can't be read, or isn't a strip that ``write_strip`` wrote.
    """
    try:
        with tifffile.TiffFile(path) as tiff:
            record = json.loads(tiff.pages[0].description)
            if not isinstance(record, dict) or record.get("schema") != STRIP_SCHEMA:
                refuse(path, "was not written by girthstrip", f"schema {STRIP_SCHEMA}")
            level, pitch_mm = 0, float(record["pitch_mm"])
            while level + 1 < len(tiff.pages) and 2 * pitch_mm <= coarsest_mm:
                level, pitch_mm = level + 1, 2 * pitch_mm
            values = tiff.pages[level].asarray(maxworkers=1)
    except (
        OSError,
        ValueError,
        KeyError,
        TypeError,
        IndexError,
        RuntimeError,
        MemoryError,
    ) as error:
        refuse(path, f"can't be read ({error})", "a strip in TIFF")
    if values.ndim != 2 or values.dtype != "uint16" or not values.size:
        refuse(path, f"holds {values.dtype} {values.shape}", "2-D uint16")
    return StripOverview(values, pitch_mm, record)
