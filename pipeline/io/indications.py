"""A reviewer's indications as a table: ``indications.csv``, a row for each.

``id`` and ``kind`` (the reviewer's own words) are required, and where it lies: either a box,
``s_first_mm, s_last_mm, z_first_mm, z_last_mm``, or a line through points, ``line_mm``, written as
``120.5 -1.2; 124 -0.8; 131.7 -1.0`` (s and z of each). ``note`` is free text. Millimetres on the
outer surface from the datum, and along the pipe, as the strip counts them.
"""

from __future__ import annotations

from collections.abc import Mapping
from difflib import get_close_matches
from pathlib import Path

from pipeline.io.csv_number import cell_number
from pipeline.io.csv_text import LineFault, read_csv, table_error
from pipeline.quality.noted.indication import Indication

REQUIRED = ("id", "kind")
BOX = ("s_first_mm", "s_last_mm", "z_first_mm", "z_last_mm")
COLUMNS = (*REQUIRED, *BOX, "line_mm", "note")
_LEAST_POINTS = 2
_HALF_A_TENTH_MM = 0.05  # to which a circumference is usually written down


def read_indications(path: Path, turn_mm: float | None = None) -> tuple[Indication, ...]:
    """The rows of the table in its order; none where only the header is there.

    On a ring ``s_last_mm`` may be less than ``s_first_mm``: the box then lies across the datum.
    Places of a ring must lie between 0 and its circumference ``turn_mm``, where that is told; else
    whether a place lies on the strip is not looked at here.

    Raises:
        TableError: all faults of the table at once, each with its line and column.
    """
    table = read_csv(
        path, columns=COLUMNS, required=REQUIRED, if_missing="Correct the name of the indications"
    )
    faults = [*_header_faults(table.header_line, table.columns), *table.faults]
    found: list[Indication] = []
    first_line: dict[str, int] = {}
    for line, cells in table.records:
        told = _row(cells, turn_mm)
        if isinstance(told, Indication):
            found.append(told)
        else:
            faults += [LineFault(line, text) for text in told]
        earlier = first_line.setdefault(cells["id"], line)
        if cells["id"] and earlier != line:
            faults.append(LineFault(line, f"id {cells['id']!r} is in line {earlier} already"))
    if faults:
        raise table_error(path, faults, "Correct the table; its columns are " + ", ".join(COLUMNS))
    return tuple(found)


def _header_faults(line: int, columns: tuple[str, ...]) -> list[LineFault]:
    """A column that means nothing would be lost in silence."""
    faults = []
    for name in columns:
        if name not in COLUMNS:
            near = get_close_matches(name, COLUMNS, n=1, cutoff=0.6)
            hint = f" (is {near[0]!r} meant?)" if near else ""
            faults.append(LineFault(line, f"column {name!r} means nothing here{hint}"))
    if "line_mm" not in columns and not set(BOX) <= set(columns):
        what = f"no columns tell where an indication lies: {', '.join(BOX)}, or line_mm"
        faults.append(LineFault(line, what))
    return faults


def _row(cells: Mapping[str, str], turn_mm: float | None) -> Indication | list[str]:
    """The indication of a row, or what is wrong with it."""
    wrong = [f"{name} is empty" for name in REQUIRED if not cells[name]]
    box: tuple[float, float, float, float] | None = None
    line: tuple[tuple[float, float], ...] = ()
    boxed = [name for name in BOX if cells.get(name)]
    if boxed and cells.get("line_mm"):
        wrong.append(f"line_mm and {boxed[0]} are both told; an indication is a line or a box")
    elif cells.get("line_mm"):
        line = _points(cells["line_mm"], wrong)
    elif boxed:
        box = _box(cells, wrong)
    else:
        wrong.append(f"nothing tells where it lies: {', '.join(BOX)}, or line_mm")
    if turn_mm is not None:
        places = [(name, s) for name, s in zip(BOX[:2], box or (), strict=False)]
        places += [(f"line_mm, point {number}", s) for number, (s, _) in enumerate(line, start=1)]
        wrong += [
            f"{name} = {s:g} lies outside of the ring, 0 … {turn_mm:.1f} mm"
            for name, s in places
            if not 0 <= s <= turn_mm + _HALF_A_TENTH_MM
        ]
    if wrong:
        return wrong
    return Indication(cells["id"], cells["kind"], cells.get("note", ""), box, line)


def _box(cells: Mapping[str, str], wrong: list[str]) -> tuple[float, float, float, float] | None:
    numbers: list[float] = []
    for name in BOX:
        found = cell_number(name, text) if (text := cells.get(name, "")) else f"{name} is empty"
        if isinstance(found, float):
            numbers.append(found)
        else:
            wrong.append(found)
    if len(numbers) < len(BOX):
        return None
    s_first, s_last, z_first, z_last = numbers
    if s_first == s_last:
        wrong.append(f"s_last_mm = {cells['s_last_mm']} is the same as s_first_mm: no length")
    if z_first >= z_last:
        wrong.append(f"z_last_mm = {cells['z_last_mm']} must be more than z_first_mm")
    return s_first, s_last, z_first, z_last


def _points(text: str, wrong: list[str]) -> tuple[tuple[float, float], ...]:
    points: list[tuple[float, float]] = []
    parts = [part.split() for part in text.split(";") if part.strip()]
    for number, part in enumerate(parts, start=1):
        name = f"line_mm, point {number}"
        if len(part) != 2:
            wrong.append(f"{name} = {' '.join(part)!r} is not two numbers, s and z")
            return ()
        s, z = (cell_number(name, one) for one in part)
        wrong += [one for one in (s, z) if isinstance(one, str)]
        if isinstance(s, float) and isinstance(z, float):
            points.append((s, z))
    if len(parts) < _LEAST_POINTS:
        wrong.append("line_mm has only one point; separate points by semicolons: 's z; s z'")
    elif len(points) == len(parts) and len(set(points)) < _LEAST_POINTS:
        wrong.append("line_mm has the same point throughout")
    return tuple(points)
