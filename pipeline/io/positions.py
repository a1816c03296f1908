"""``positions.csv``: where each frame was found to lie, for people and spreadsheets."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable
from dataclasses import dataclass, fields
from pathlib import Path

from pipeline.io.csv_text import LineFault, read_csv, table_error


@dataclass(frozen=True, slots=True)
class PositionRow:
    """One frame's place; None stands for what isn't known, as for a frame left out."""

    file: str
    page: int
    used: bool
    why_not: str
    encoder_mm: float
    position_mm: float | None
    sigma_mm: float | None
    axial_mm: float | None
    level: float | None


_COLUMNS = tuple(field.name for field in fields(PositionRow))
_DECIMALS = {"encoder_mm": 4, "position_mm": 4, "sigma_mm": 5, "axial_mm": 4, "level": 6}
_USED = {"yes": True, "no": False}


def write_positions(path: Path, rows: Iterable[PositionRow]) -> None:
    """Write the rows in their order: millimetres to 0.1 µm, levels to 1e-6, unknowns empty.

    Raises:
        ValueError: a number is NaN or infinite.
        OSError: the file can't be written.
    """
    text = io.StringIO(newline="")
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(_COLUMNS)
    for row in rows:
        numbers = (_number(getattr(row, name), places) for name, places in _DECIMALS.items())
        writer.writerow([row.file, row.page, "yes" if row.used else "no", row.why_not, *numbers])
    path.write_text(text.getvalue(), encoding="utf-8", newline="")


def read_positions(path: Path) -> tuple[PositionRow, ...]:
    """The rows that ``write_positions`` wrote, numbers as rounded there.

    Raises:
        TableError: the file can't be read or isn't such a table.
    """
    table = read_csv(path, columns=_COLUMNS, required=_COLUMNS)
    rows, faults = [], list(table.faults)
    for line, cells in table.records:
        try:
            rows.append(_row(cells))
        except (ValueError, KeyError) as error:
            faults.append(LineFault(line, f"can't be understood ({error})"))
    if faults:
        raise table_error(path, faults, "Stitch the weld anew")
    return tuple(rows)


def _row(cells: dict[str, str]) -> PositionRow:
    numbers = {name: float(cells[name]) if cells[name] else None for name in _DECIMALS}
    encoder_mm = numbers.pop("encoder_mm")
    if encoder_mm is None:
        raise ValueError("encoder_mm is empty")
    return PositionRow(
        file=cells["file"],
        page=int(cells["page"]),
        used=_USED[cells["used"]],
        why_not=cells["why_not"],
        encoder_mm=encoder_mm,
        **numbers,
    )


def _number(value: float | None, places: int) -> str:
    """The value with fixed decimals, never as minus zero; empty for None."""
    if value is None:
        return ""
    if not abs(value) < float("inf"):
        raise ValueError(f"{value} can't stand in a table of positions")
    text = f"{value:.{places}f}"
    return text.removeprefix("-") if float(text) == 0 else text
