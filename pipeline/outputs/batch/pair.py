"""A weld's old result folder and its new one, read and held against each other."""

from __future__ import annotations

import math
from collections.abc import Sequence
from pathlib import Path

import numpy as np

from pipeline.errors import InputError
from pipeline.io.digest import sha256_file
from pipeline.io.pictures import open_picture
from pipeline.io.results import RESULT_FILES
from pipeline.outputs.batch.change import Change, CheckChange, PositionChange
from pipeline.outputs.batch.picture import difference_png, reach_of
from pipeline.outputs.batch.pixels import StripArrays, compare_pixels
from pipeline.quality.asked.known import StripPicture
from pipeline.quality.log import QualityLog

_TIMING = "timing.json"  # all that may differ from run to run


def compare_pair(
    weld: str, old: Path, new: Path, why: Sequence[str] = ()
) -> tuple[Change, bytes, float]:
    """What changed from one result of a weld to another, a picture of where (PNG, empty where
    nothing is to be shown), and the σ of its full colour. What can't be read is told in it."""
    try:
        return _compare(weld, old, new, tuple(why))
    except (InputError, OSError) as error:
        return Change(weld, str(old), str(new), tuple(why), fault=str(error)), b"", 0.0


def _compare(weld: str, old: Path, new: Path, why: tuple[str, ...]) -> tuple[Change, bytes, float]:
    same, different = _files(old, new)
    first, second = _log(old), _log(new)
    pixels, png, reach = None, b"", 0.0
    if not {"strip.tif", "maps.tif"} <= set(same):
        pictures = open_picture(old).picture, open_picture(new).picture
        found = compare_pixels(*map(_arrays, pictures))
        if found is not None:
            pixels, cells = found
            reach = reach_of(cells)
            png = difference_png(cells, reach)
    bad, now_bad = first.calibration.bad_pixels, second.calibration.bad_pixels
    change = Change(
        weld,
        str(old),
        str(new),
        why,
        same,
        different,
        str(first.verdict),
        str(second.verdict),
        _checks(first, second),
        _positions(first, second),
        pixels,
        {name: (bad.get(name, 0), now_bad.get(name, 0)) for name in sorted({*bad, *now_bad})},
        (first.calibration.identity, second.calibration.identity),
        first.strip.pitch_mm,
    )
    return change, png, reach


def _files(old: Path, new: Path) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """The names of the files that are the same byte for byte, and of those that aren't."""
    same: list[str] = []
    different: list[str] = []
    for name in RESULT_FILES:
        a, b = old / name, new / name
        if name == _TIMING or not (a.is_file() or b.is_file()):
            continue
        alike = (
            a.is_file()
            and b.is_file()
            and a.stat().st_size == b.stat().st_size
            and sha256_file(a) == sha256_file(b)
        )
        (same if alike else different).append(name)
    return tuple(same), tuple(different)


def _log(folder: Path) -> QualityLog:
    path = folder / "quality.json"
    return QualityLog.from_json(path.read_text(encoding="utf-8"), where=str(path))


def _arrays(picture: StripPicture) -> StripArrays:
    if picture.sigma is None or picture.count is None or picture.origin is None:
        raise InputError("the result has no maps")
    return StripArrays(
        picture.grid,
        picture.values,
        picture.sigma,
        picture.sigma_scale,
        picture.count,
        picture.origin,
    )


def _checks(old: QualityLog, new: QualityLog) -> tuple[CheckChange, ...]:
    """Every check of either log, then the measures that are no checks."""
    first, second = ({one.id: one for one in log.checks} for log in (old, new))
    found = []
    for name in dict.fromkeys([*first, *second]):
        a, b = first.get(name), second.get(name)
        told = a or b
        assert told is not None
        found.append(
            CheckChange(
                name,
                told.unit,
                None if a is None else a.value,
                None if b is None else b.value,
                None if a is None else str(a.verdict),
                None if b is None else str(b.verdict),
            )
        )
    known = {one.id for one in found}
    whole = [
        {one.id: one for one in log.measures if one.s_mm is None and one.id not in known}
        for log in (old, new)
    ]
    for name in dict.fromkeys([*whole[0], *whole[1]]):
        m, n = whole[0].get(name), whole[1].get(name)
        measured = m or n
        assert measured is not None
        found.append(
            CheckChange(
                name,
                measured.unit,
                None if m is None else m.value,
                None if n is None else n.value,
                None,
                None,
            )
        )
    return tuple(found)


def _positions(old: QualityLog, new: QualityLog) -> PositionChange | None:
    """Frame by frame, told apart by file and page."""
    first, second = (
        {(one.file, one.page): one for one in log.frames if one.used} for log in (old, new)
    )
    both = [key for key in first if key in second]
    if not both:
        return None
    moved = np.array([_number(second[k].position_mm) - _number(first[k].position_mm) for k in both])
    if old.strip.ring:
        turn = old.strip.circumference_mm
        moved = (moved + turn / 2) % turn - turn / 2
    axial = np.array([_number(second[k].axial_mm) - _number(first[k].axial_mm) for k in both])
    worst = int(np.abs(moved).argmax())
    return PositionChange(
        largest_mm=float(np.abs(moved[worst])),
        rms_mm=math.sqrt(float((moved**2).mean())),
        at_frame=both[worst][0],
        axial_largest_mm=float(np.abs(axial).max()),
        come=tuple(file for file, page in second if (file, page) not in first),
        gone=tuple(file for file, page in first if (file, page) not in second),
    )


def _number(value: float | None) -> float:
    return math.nan if value is None else value
