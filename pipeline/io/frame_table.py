"""The frame table, ``frames.csv``: which frames a scan has and where the carriage stood for each.

Columns ``file`` and ``position_mm`` are required; ``page`` (0 is the first and the default),
``time``, ``kv``, ``ma``, ``exposure_s``, ``latitude``, ``longitude`` and ``temperature_c`` are
optional; any others are kept as text.
"""

from __future__ import annotations

import math
import re
from collections import Counter
from difflib import get_close_matches
from itertools import pairwise
from pathlib import Path

from pipeline.io.csv_text import LineFault, read_csv, table_error
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

_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?", re.ASCII)
_NOT_FINITE = re.compile(r"[+-]?(nan|inf(inity)?)", re.IGNORECASE)
_DECIMAL_COMMA = re.compile(r"[+-]?\d+,\d+", re.ASCII)
_REMEDY = "Correct these lines; leave a cell empty when its value isn't known"


def read_frame_table(
    path: Path, folder: Path, *, missing_files: bool = False
) -> tuple[FrameRow, ...]:
    """The rows of the table in its order, each naming a file below ``folder``.

    Blank lines are skipped. Positions may come in any order and may repeat. Files that don't
    exist are a fault of the table unless ``missing_files`` says that they may be missing.

    Raises:
        TableError: all faults of the table at once, each with its line.
    """
    table = read_csv(path, columns=COLUMNS, required=REQUIRED)
    faults = list(table.faults)
    rows: list[FrameRow] = []
    first_line: dict[tuple[Path, int], int] = {}
    home = folder.resolve()
    for line, cells in table.records:
        row = _row(len(rows), line, cells, faults)
        target = _target(line, cells["file"], home, missing_files, faults)
        if row is None or target is None:
            continue
        earlier = first_line.setdefault((target, row.page), line)
        if earlier != line:
            _add(faults, line, f"file {row.file!r} page {row.page} is in line {earlier} already")
        rows.append(row)
    if not table.records and not faults:
        _add(faults, table.header_line, "no frames follow the header")
    if faults:
        raise table_error(path, faults, _REMEDY)
    return tuple(rows)


def table_remarks(rows: tuple[FrameRow, ...]) -> tuple[str, ...]:
    """What is allowed in a table but worth knowing: positions out of order or repeated."""
    remarks = []
    steps = [after.position_mm - row.position_mm for row, after in pairwise(rows)]
    falling = sum(step < 0 for step in steps)
    if falling and any(step > 0 for step in steps):
        remarks.append(f"the table's positions are not sorted: they fall {falling} times")
    elif falling:
        remarks.append("the table's positions fall from row to row")
    counts = Counter(row.position_mm for row in rows)
    repeated = sorted(position for position, count in counts.items() if count > 1)
    if repeated:
        shown = ", ".join(f"{position:g}" for position in repeated[:5])
        more = f" and {len(repeated) - 5} more" if len(repeated) > 5 else ""
        remarks.append(f"several frames have the same position_mm: {shown}{more}")
    return tuple(remarks)


def _add(faults: list[LineFault], line: int, text: str) -> None:
    faults.append(LineFault(line, text))


def _row(index: int, line: int, cells: dict[str, str], faults: list[LineFault]) -> FrameRow | None:
    """The record of one line; None when the line has a fault, which is then noted."""
    before = len(faults)
    numbers = {name: _number(line, name, cells, faults) for name in NUMBERS}
    page = cells.get("page", "")
    if page and not (page.isascii() and page.isdigit() and len(page) < 10):
        _add(faults, line, f"page {page!r} is not a page number (0 is the first)")
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
        time=cells.get("time") or None,
        extra={name: text for name, text in cells.items() if name not in known},
        **numbers,
    )


def _number(line: int, name: str, cells: dict[str, str], faults: list[LineFault]) -> float | None:
    """The finite number in a cell; None when it is empty or, noted as a fault, something else."""
    text = cells.get(name, "")
    if not text:
        return None
    value = float(text) if _NUMBER.fullmatch(text) else math.nan
    least, greatest = NUMBERS[name]
    if math.isfinite(value) and least <= value <= greatest:
        return value
    if math.isfinite(value):
        _add(faults, line, f"{name} = {text} must lie in {least:g} … {greatest:g}")
    elif _DECIMAL_COMMA.fullmatch(text):
        _add(faults, line, f"{name} = {text!r} has a decimal comma; write a point")
    elif math.isinf(value) or _NOT_FINITE.fullmatch(text):
        _add(faults, line, f"{name} = {text} is not a finite number")
    else:
        _add(faults, line, f"{name} = {text!r} is not a number")
    return None


def _target(
    line: int, name: str, home: Path, missing_files: bool, faults: list[LineFault]
) -> Path | None:
    """The file that a cell names; None when, noted as a fault, it can't be used."""
    if not name:
        _add(faults, line, "file is empty")
        return None
    try:
        path = home / name
        target = path.resolve()
        if Path(name).is_absolute() or not target.is_relative_to(home):
            _add(faults, line, f"file {name!r} leads out of the frames' folder {home}")
            return None
        exists = path.exists()
    except (OSError, ValueError, RuntimeError) as error:  # RuntimeError: a loop of links
        _add(faults, line, f"file {name!r} can't be reached ({error})")
        return None
    if not exists and not missing_files:
        _add(faults, line, f"file {name!r} doesn't exist in {home}{_nearest(name, home)}")
        return None
    return target


def _nearest(name: str, home: Path) -> str:
    """A hint at the file that was probably meant."""
    slashed = name.replace("\\", "/")
    if slashed != name and (home / slashed).exists():
        return f"; write {slashed!r}"
    try:
        names = [entry.name for entry in (home / slashed).parent.iterdir()]
    except OSError:
        return ""
    lowered = {entry.lower(): entry for entry in names}
    close = get_close_matches(Path(slashed).name.lower(), lowered, n=1, cutoff=0.9)
    return f"; is {lowered[close[0]]!r} meant?" if close else ""
