"""The frame table, ``frames.csv``: which frames a scan has and where the carriage stood for each.

Columns ``file`` and ``position_mm`` are required; ``page`` (0 is the first and the default),
``time``, ``kv``, ``ma``, ``exposure_s``, ``latitude``, ``longitude`` and ``temperature_c`` are
optional; any others are kept as text.
"""

from __future__ import annotations

import math
import re
from collections import Counter
from collections.abc import Collection, Sequence
from datetime import datetime
from itertools import pairwise, takewhile
from pathlib import Path

from pipeline.io.csv_number import cell_number
from pipeline.io.csv_text import LineFault, read_csv, table_error
from pipeline.io.near_names import as_on_disk, near_name
from pipeline.model import FrameRow

REQUIRED = ("file", "position_mm")
NUMBERS = {  # column: least and greatest value that can be meant
    "position_mm": (-math.inf, math.inf),
    "kv": (0.0, 20_000.0),
    "ma": (0.0, math.inf),
    "exposure_s": (0.0, math.inf),
    "latitude": (-90.0, 90.0),
    "longitude": (-180.0, 180.0),
    "temperature_c": (-273.15, math.inf),
}
COLUMNS = ("file", "page", "time", *NUMBERS)

_TIME = re.compile(r"\d{4}-\d\d-\d\d[T ]\d\d:\d\d(:\d\d([.,]\d+)?)?(Z|[+-]\d\d:\d\d)?", re.ASCII)
_IF_MISSING = (
    "Correct folder and table in [frames] of the config, or the folder given with --frames"
)
_SHOWN = 5  # names or values in a remark


def read_frame_table(
    path: Path, folder: Path, *, missing_files: bool = False
) -> tuple[FrameRow, ...]:
    """The rows of the table in its order, each naming a file below ``folder``.

    Blank lines are skipped. Positions may come in any order and may repeat. Files that don't
    exist are a fault of the table unless ``missing_files`` says that they may be missing. Names
    that only compose their letters in another way than the disk does are those of the disk.

    Raises:
        TableError: all faults of the table at once, each with its line.
    """
    table = read_csv(path, columns=COLUMNS, required=REQUIRED, if_missing=_IF_MISSING)
    faults = list(table.faults)
    rows: list[FrameRow] = []
    first_line: dict[tuple[Path, int], int] = {}
    zoned: list[tuple[int, bool]] = []  # lines with a time, and whether it has a zone
    home = folder.resolve()
    named = {cells["file"] for _, cells in table.records}
    for line, given in table.records:
        cells = given | {"file": as_on_disk(home, given["file"])}
        row = _row(len(rows), line, cells, faults)
        target = _target(line, cells["file"], home, None if missing_files else named, faults)
        if row is None or target is None:
            continue
        if row.time is not None:
            zoned.append((line, datetime.fromisoformat(row.time).tzinfo is not None))
        earlier = first_line.setdefault((target, row.page), line)
        if earlier != line:
            _add(faults, line, f"file {row.file!r} page {row.page} is in line {earlier} already")
        rows.append(row)
    faults += _zone_faults(zoned)
    if not table.records and not faults:
        _add(faults, table.header_line, "no frames follow the header")
        raise table_error(path, faults, "Copy the table again from where it was recorded")
    if faults:
        raise table_error(path, faults, _remedy(faults))
    return tuple(rows)


def table_remarks(rows: tuple[FrameRow, ...]) -> tuple[str, ...]:
    """What is allowed in a table but worth knowing: positions out of order, or repeated after the
    carriage began to move; some frames without a time."""
    remarks = []
    steps = [after.position_mm - row.position_mm for row, after in pairwise(rows)]
    falling = sum(step < 0 for step in steps)
    if falling and any(step > 0 for step in steps):
        times = "once" if falling == 1 else f"{falling} times"
        remarks.append(f"the table's positions are not sorted: they fall {times}")
    elif falling:
        remarks.append("the table's positions fall from row to row")
    waiting = takewhile(lambda row: row.position_mm == rows[0].position_mm, rows)
    moving = rows[len(tuple(waiting)) :]  # before that the tube was still ramping up
    counts = Counter(row.position_mm for row in moving)
    repeated = sorted(position for position, count in counts.items() if count > 1)
    if repeated:
        shown = _shown([f"{position:g}" for position in repeated])
        remarks.append(f"several frames have the same position_mm: {shown}")
    untimed = sum(row.time is None for row in rows)
    if 0 < untimed < len(rows):
        remarks.append(
            f"{untimed} of {len(rows)} frames have no time, so the order in which they were shot "
            "is taken from their positions"
        )
    return tuple(remarks)


def unnamed_remark(
    rows: Sequence[FrameRow], folder: Path, endings: Collection[str]
) -> tuple[str, ...]:
    """A remark about files in ``folder`` that look like frames and that no row names, if any."""
    named = {(folder / row.file).resolve() for row in rows}
    unnamed = sorted(
        path.name
        for path in folder.iterdir()
        if path.suffix.lower() in endings
        and not path.name.startswith(".")
        and path.resolve() not in named
    )
    if not unnamed:
        return ()
    files = "a file" if len(unnamed) == 1 else f"{len(unnamed)} files"
    return (f"no row of the frame table names {files} beside the frames: {_shown(unnamed)}",)


def _shown(names: Sequence[str]) -> str:
    more = f" and {len(names) - _SHOWN} more" if len(names) > _SHOWN else ""
    return ", ".join(names[:_SHOWN]) + more


def _add(faults: list[LineFault], line: int, text: str, optional: str = "") -> None:
    faults.append(LineFault(line, text, optional))


def _remedy(faults: Sequence[LineFault]) -> str:
    optional = sorted({fault.optional for fault in faults} - {""})
    remedy = "Correct this line" if len(faults) == 1 else "Correct these lines"
    if optional:
        remedy += f"; {' and '.join(optional)} may be left empty where it isn't known"
    return remedy


def _zone_faults(zoned: Sequence[tuple[int, bool]]) -> list[LineFault]:
    """The first time that differs from the table's first one in having a zone."""
    odd = [line for line, zone in zoned if zone != zoned[0][1]]
    if not odd:
        return []
    has, other = ("has no zone", "has one") if zoned[0][1] else ("has a zone", "has none")
    what = f"time {has}, that of line {zoned[0][0]} {other}; they can't be compared"
    return [LineFault(odd[0], what, "time")]


def _row(index: int, line: int, cells: dict[str, str], faults: list[LineFault]) -> FrameRow | None:
    """The record of one line; None when the line has a fault, which is then noted."""
    before = len(faults)
    numbers = {name: _number(line, name, cells, faults) for name in NUMBERS}
    page = cells.get("page", "")
    if page and not (page.isascii() and page.isdigit() and len(page) < 10):
        _add(faults, line, f"page {page!r} is not a page number (0 is the first)")
    time = cells.get("time", "")
    if time and not _is_time(time):
        what = f"time {time!r} is not a time like 2026-03-02T06:30:00+00:00"
        _add(faults, line, what, "time")
    position = numbers.pop("position_mm")
    if position is None and not cells["position_mm"]:
        _add(faults, line, "position_mm is empty")
    if position is None or len(faults) > before:
        return None
    known = {"file", "page", "time", *NUMBERS}
    return FrameRow(
        index=index,
        file=cells["file"],
        page=int(page or 0),
        position_mm=position,
        time=time or None,
        extra={name: text for name, text in cells.items() if name not in known},
        **numbers,
    )


def _is_time(text: str) -> bool:
    """Whether it is a date and time of ISO 8601, as the table must have them."""
    try:
        datetime.fromisoformat(text)
    except ValueError:
        return False
    return _TIME.fullmatch(text) is not None


def _number(line: int, name: str, cells: dict[str, str], faults: list[LineFault]) -> float | None:
    """The finite number in a cell; None when it is empty or, noted as a fault, something else."""
    text = cells.get(name, "")
    if not text:
        return None
    found = cell_number(name, text, *NUMBERS[name])
    if isinstance(found, float):
        return found
    _add(faults, line, found, "" if name in REQUIRED else name)
    return None


def _target(
    line: int, name: str, home: Path, named: Collection[str] | None, faults: list[LineFault]
) -> Path | None:
    """The file that a cell names; None when, noted as a fault, it can't be used.

    ``named`` are the names of all rows, which then must exist; without it they may be missing.
    """
    if not name:
        _add(faults, line, "file is empty")
        return None
    try:
        path = home / name
        target = path.resolve()
        if not target.is_relative_to(home):
            _add(faults, line, f"file {name!r} leads out of the frames' folder {home}")
            return None
        if Path(name).is_absolute():
            inside = target.relative_to(home).as_posix()
            _add(faults, line, f"file {name!r} must be named from its folder on: {inside!r}")
            return None
        exists = path.exists()
    except (OSError, ValueError, RuntimeError) as error:  # RuntimeError: a loop of links
        _add(faults, line, f"file {name!r} can't be reached ({error})")
        return None
    if not exists and named is not None:
        hint = near_name(home, name, misspelt=True, taken=named)
        _add(faults, line, f"file {name!r} doesn't exist in {home}{hint}")
        return None
    return target
