"""Strips to be measured: a result folder, its ``strip.tif``, or any linear 16-bit TIFF."""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import tifffile

from pipeline.errors import InputError
from pipeline.io.strip import STRIP_SCHEMA, read_maps, read_strip
from pipeline.model import RawImage, StripGrid
from pipeline.quality.asked.known import StripPicture
from pipeline.quality.log import QualityLog
from pipeline.quality.pixel_digest import foreign_pixels

_LOG, _STRIP, _MAPS, _CONFIG = "quality.json", "strip.tif", "maps.tif", "config.toml"
_PLACES = ("pitch_mm", "s_first_mm", "z_first_mm", "circumference_mm", "ring", "overrun_mm")
_OF_ONE_RUN = ("weld", "calibration", *_PLACES)
_COPY_AGAIN = "Copy the result again, or stitch it anew"
_MM_OF_UNIT = {2: 25.4, 3: 10.0}  # TIFF's ResolutionUnit: inch, centimetre
_LARGEST_PITCH_MM = 1.0


@dataclass(frozen=True, slots=True)
class Opened:
    """A picture, its name, and where a result folder it comes from has its log and its config."""

    name: str
    picture: StripPicture
    log: QualityLog | None = None
    config: Path | None = None


def open_picture(path: Path, pitch_mm: float | None = None) -> Opened:
    """The strip in a result folder, or in a TIFF of 16-bit gray values linear in dose.

    A TIFF's pitch is ``pitch_mm``, or what its resolution tags say. Its first column counts as 0 mm
    and its middle row too; one that girthstrip wrote knows its place, and beside its log it counts
    as its result folder.

    Raises:
        InputError: it can't be read, isn't such a picture, its pitch isn't told, or girthstrip
            wrote it with another than ``pitch_mm``; or a folder's files don't belong together.
    """
    if path.is_dir():
        return _folder(path, pitch_mm)
    if path.name == _STRIP and (path.parent / _LOG).is_file():
        return _folder(path.parent, pitch_mm)
    if not path.is_file():
        raise InputError(
            "there is no such file or folder",
            where=str(path),
            expected="a result folder, or a TIFF of 16-bit gray values",
        )
    return _tiff(path, pitch_mm)


def _folder(folder: Path, pitch_mm: float | None) -> Opened:
    if not (folder / _LOG).is_file():
        raise InputError(
            f"has no {_LOG}",
            where=str(folder),
            expected="the result folder of a weld",
            remedy="Name the folder that girthstrip stitch wrote, or the picture itself",
        )
    try:
        text = (folder / _LOG).read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise InputError(
            f"can't be read ({error})", where=str(folder / _LOG), remedy=_COPY_AGAIN
        ) from error
    log = QualityLog.from_json(text, where=str(folder / _LOG))
    values, metadata = read_strip(folder / _STRIP)
    _check_pitch(folder / _STRIP, pitch_mm, metadata)
    _check_belonging(folder, values, metadata, log)
    maps = read_maps(folder / _MAPS)
    if maps.count.shape != values.shape:
        raise InputError(
            f"maps of {maps.count.shape} don't belong to a strip of {values.shape}",
            where=str(folder),
            remedy=_COPY_AGAIN,
        )
    differ = [name for name in _OF_ONE_RUN if maps.metadata.get(name) != metadata.get(name)]
    if differ:
        raise InputError(
            f"{_MAPS} and {_STRIP} tell another {' and another '.join(differ)}",
            where=str(folder),
            expected="files of one run",
            remedy=_COPY_AGAIN,
        )
    picture = StripPicture(
        values=values,
        grid=_grid(values.shape, metadata),
        sigma=maps.sigma,
        count=maps.count,
        origin=maps.origin,
        sigma_scale=float(maps.metadata.get("sigma_scale", 1.0)),
    )
    config = folder / _CONFIG
    return Opened(str(folder), picture, log, config if config.is_file() else None)


def _check_pitch(path: Path, pitch_mm: float | None, told: dict[str, Any]) -> None:
    """A pitch that is given must be that of a strip which tells its own."""
    own_mm = float(told["pitch_mm"])
    if pitch_mm is not None and not math.isclose(pitch_mm, own_mm, rel_tol=1e-3):
        raise InputError(
            f"tells a pitch of {own_mm:g} mm, but --pitch-mm says {pitch_mm:g} mm",
            where=str(path),
            expected="one and the same",
            remedy="Leave --pitch-mm out: girthstrip wrote this strip, and it knows its pitch",
        )


def _check_belonging(folder: Path, values: RawImage, told: dict[str, Any], log: QualityLog) -> None:
    """The strip must be the log's: size, places, whose weld it says that it is, every pixel."""
    of_log = {name: getattr(log.strip, name) for name in _PLACES} | {
        "rows": log.strip.rows,
        "columns": log.strip.columns,
        "weld": log.weld.id,
        "shot": log.weld.shot,
        "calibration": log.calibration.identity,
    }
    of_strip = {"rows": values.shape[0], "columns": values.shape[1]} | {
        name: told[name] for name in of_log if name in told
    }
    differ = [
        f"{name} {value} in {_STRIP}, {of_log[name]} in {_LOG}"
        for name, value in of_strip.items()
        if not _alike(value, of_log[name])
    ]
    if not differ:  # then only its pixels can tell
        differ = [why for why in [foreign_pixels(values, log.strip)] if why]
    if differ:
        raise InputError(
            f"{_STRIP} isn't the one that {_LOG} tells of: {'; '.join(differ)}",
            where=str(folder),
            remedy=f"{_COPY_AGAIN}; or measure the picture alone, outside this folder",
        )


def _alike(one: object, other: object) -> bool:
    if isinstance(one, int | float) and isinstance(other, int | float):
        return math.isclose(one, other, rel_tol=1e-9, abs_tol=1e-9)
    return one == other


def _grid(shape: tuple[int, ...], told: dict[str, Any]) -> StripGrid:
    pitch_mm = float(told["pitch_mm"])
    overrun = round(float(told.get("overrun_mm", 0.0)) / pitch_mm)
    return StripGrid(
        rows=shape[0],
        columns=shape[1] - overrun,
        pitch_mm=pitch_mm,
        s_first_mm=float(told.get("s_first_mm", 0.0)),
        z_first_mm=float(told.get("z_first_mm", 0.0)),
        ring=bool(told.get("ring", False)),
        overrun=overrun,
    )


def _tiff(path: Path, pitch_mm: float | None) -> Opened:
    try:
        with tifffile.TiffFile(path) as tiff:
            page = tiff.pages[0]
            ours = STRIP_SCHEMA in str(page.description)
            if not ours and (page.dtype != np.uint16 or len(page.shape) != 2):
                raise InputError(
                    f"holds {page.dtype} {page.shape}",
                    where=str(path),
                    expected="one picture of 16-bit unsigned gray values, linear in dose",
                )
            told_mm = _told_pitch_mm(page)
            values = np.empty((0, 0), np.uint16) if ours else page.asarray()
    except InputError:
        raise
    except Exception as error:  # codecs raise RuntimeErrors and more of their own
        raise InputError(
            f"can't be read ({error})", where=str(path), expected="a TIFF of 16-bit gray values"
        ) from error
    if ours:
        strip, metadata = read_strip(path)
        _check_pitch(path, pitch_mm, metadata)
        return Opened(str(path), StripPicture(strip, _grid(strip.shape, metadata)))
    pitch = told_mm if pitch_mm is None else pitch_mm
    if pitch is None or not 0 < pitch <= _LARGEST_PITCH_MM:
        found = "doesn't tell its pitch" if pitch is None else f"would have a pitch of {pitch:g} mm"
        raise InputError(
            found,
            where=str(path),
            expected="its pixels' pitch on the pipe's outer surface, in (0, 1] mm",
            remedy="Give it with --pitch-mm",
        )
    rows, columns = values.shape
    grid = StripGrid(rows, columns, pitch, 0.0, -(rows - 1) / 2 * pitch, ring=False)
    return Opened(str(path), StripPicture(values, grid, resampled=False))


def _told_pitch_mm(page: Any) -> float | None:
    """What the resolution tags say; None without a unit of length."""
    tags = page.tags
    unit = _MM_OF_UNIT.get(int(tags["ResolutionUnit"].value)) if "ResolutionUnit" in tags else None
    if unit is None or "XResolution" not in tags:
        return None
    numerator, denominator = tags["XResolution"].value
    return unit * denominator / numerator if numerator and denominator else None
