"""The quality log of a finished weld folder as one page for people: ``quality.html``."""

from __future__ import annotations

import os
from pathlib import Path

from pipeline.errors import InputError, OutputError
from pipeline.io.positions import read_positions
from pipeline.io.strip import StripMaps, read_maps, read_strip
from pipeline.model import RawImage
from pipeline.outputs.report.page import render_page
from pipeline.quality.log import QualityLog
from pipeline.quality.pixel_digest import foreign_pixels

REPORT_NAME = "quality.html"
_NEEDED = ("strip.tif", "maps.tif", "positions.csv", "quality.json")


def write_report(folder: Path) -> None:
    """Write ``quality.html`` into a folder that holds the strip, its maps, positions and log.

    Raises:
        InputError: one of the four files is missing, can't be read, or they don't belong together.
        OutputError: the report can't be written.
    """
    log = _read_log(folder)
    strip, _ = read_strip(folder / "strip.tif")
    maps = read_maps(folder / "maps.tif")
    _require_one_weld(folder, log, strip, maps)
    page = render_page(log, strip, maps.count, maps.origin)

    final = folder / REPORT_NAME
    partial = folder / f".{REPORT_NAME}.partial-{os.getpid()}"
    try:
        partial.write_text(page, encoding="utf-8", newline="\n")
        partial.replace(final)
    except OSError as error:
        raise OutputError(
            f"the report can't be written ({error.strerror})",
            where=str(final),
            remedy="Check free space and permissions",
        ) from error
    finally:
        partial.unlink(missing_ok=True)


def _read_log(folder: Path) -> QualityLog:
    missing = [name for name in _NEEDED if not (folder / name).is_file()]
    if missing:
        raise InputError(
            f"{', '.join(missing)} missing",
            where=str(folder),
            expected="the finished folder of one weld",
            remedy="Name a folder that stitch has made, or stitch the weld again",
        )
    path = folder / "quality.json"
    try:
        text = path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise InputError(
            f"can't be read ({error})", where=str(path), remedy="Stitch the weld again"
        ) from error
    return QualityLog.from_json(text, where=str(path))


def _require_one_weld(folder: Path, log: QualityLog, strip: RawImage, maps: StripMaps) -> None:
    """Refuse a folder whose files were not made together."""
    expected = (log.strip.rows, log.strip.columns)
    wrong = [
        f"{name} is {' × '.join(map(str, array.shape))} pixels"
        for name, array in (("strip.tif", strip), ("maps.tif", maps.count))
        if array.shape != expected
    ]
    foreign = "" if wrong else foreign_pixels(strip, log.strip)
    if foreign:
        wrong.append(f"strip.tif: {foreign}")
    positions = read_positions(folder / "positions.csv")
    frames = [(frame.file, frame.page, frame.used) for frame in log.frames]
    if [(row.file, row.page, row.used) for row in positions] != frames:
        wrong.append("positions.csv lists other frames")
    if wrong:
        raise InputError(
            "files of different welds in one folder: " + "; ".join(wrong),
            where=str(folder),
            expected=f"what quality.json says: {expected[0]} × {expected[1]} pixels and "
            f"{len(frames)} frames",
            remedy="Stitch the weld again",
        )
