"""A whole job sheet looked over before the shift: every fault at once, by line and column."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from pipeline.config.weld import load_weld_config
from pipeline.errors import ConfigError, TableError
from pipeline.io.csv_text import LineFault, table_error
from pipeline.io.digest import sha256_file
from pipeline.io.job_sheet import Sheet, SheetRow, cell_faults, read_sheet, replaced_values

_NEEDED = ("diameter_mm", "wall_mm")
_USUAL = (*_NEEDED, "operator", "procedure")


@dataclass(frozen=True, slots=True)
class CheckedSheet:
    """A sheet without faults: its rows, sentences about what is odd but allowed, its SHA-256."""

    rows: tuple[SheetRow, ...]
    remarks: tuple[str, ...]
    sha256: str


def check_sheet(path: Path, config: Path | None = None) -> CheckedSheet:
    """Hold every row against the rules of its cells, the rows against each other, and each against
    the config that it will be stitched with, if that is given.

    Raises:
        TableError: all faults of the sheet, a line each.
        ConfigError: the config itself is at fault.
    """
    sheet = read_sheet(path)
    if not sheet.rows and not sheet.faults:
        raise TableError("lists no welds", where=str(path), expected="a row for each weld")
    faults = [*sheet.faults, *_repeated(sheet.rows), *cell_faults(sheet)]
    if config is not None and not faults:
        load_weld_config(config)  # its own faults are told as its own
        faults += _against_config(sheet, config)
    if faults:
        raise table_error(path, faults, "Correct the sheet, and copy it to the field again")
    remarks = [*_remarks(sheet.rows, config), *_own_row(sheet.rows, config)]
    return CheckedSheet(sheet.rows, tuple(remarks), sha256_file(path))


def _repeated(rows: Sequence[SheetRow]) -> Iterator[LineFault]:
    first: dict[tuple[str, str], int] = {}
    for row in rows:
        weld, shot = row.name
        if weld and row.name in first:
            again = f"weld {weld!r}" + (f", shot {shot}," if shot else "")
            yield LineFault(
                row.line,
                f"{again} stands in line {first[row.name]} already; if it is shot again write R1, "
                "R2, … (after a repair) or RS1, RS2, … (only shot again) under 'shot'",
            )
        first.setdefault(row.name, row.line)


def _against_config(sheet: Sheet, config: Path) -> Iterator[LineFault]:
    for row in sheet.rows:
        try:
            load_weld_config(config, row.told, source="this row")
        except ConfigError as error:
            for line in str(error).splitlines():
                yield LineFault(row.line, f"with this row: {line}")


def _own_row(rows: Sequence[SheetRow], config: Path | None) -> Iterator[str]:
    """Whether the config's own weld has a row, and what of the config that row replaces."""
    if config is None:
        return
    job = load_weld_config(config)
    own = [row for row in rows if row.name[0] == job.weld.id]
    if not own:
        yield f"no row is for {job.weld.id!r}, the config's weld.id: stitch will refuse the sheet"
    for row in own:
        for sentence in replaced_values(row.cells, job, load_weld_config(config, row.told)):
            yield f"line {row.line}: {sentence}"


def _remarks(rows: Sequence[SheetRow], config: Path | None) -> Iterator[str]:
    for column in _USUAL:
        lines = [str(row.line) for row in rows if column not in row.cells]
        if lines and not (config is not None and column in _NEEDED):
            yield f"no {column} in line {', '.join(lines)}: what the config says counts"
    seen: dict[str, str] = {}
    for row in rows:
        weld = row.name[0]
        other = seen.setdefault("".join(weld.split()).casefold(), weld)
        if other != weld:
            yield f"line {row.line}: {weld!r} differs from {other!r} in capitals or blanks only"
