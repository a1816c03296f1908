"""A CSV file as records of text, each with its line; faults of its form in plain words."""

from __future__ import annotations

import csv
import io
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from difflib import get_close_matches
from pathlib import Path

from pipeline.errors import TableError
from pipeline.io.fault_list import fault_list
from pipeline.io.near_names import near_name

_MOST_BYTES = 64 * 2**20
_UTF16 = (b"\xff\xfe", b"\xfe\xff")


@dataclass(frozen=True, slots=True)
class LineFault:
    """What is wrong in one line of a table; ``optional`` names a column that might be empty."""

    line: int
    text: str
    optional: str = ""


@dataclass(frozen=True, slots=True)
class CsvTable:
    """What a CSV file says: its columns, and line number and cells of each record.

    Cells have no blanks around them; a record has a cell for every column. Lines that don't fit
    the header are in ``faults`` instead.
    """

    path: Path
    header_line: int
    columns: tuple[str, ...]
    records: tuple[tuple[int, dict[str, str]], ...]
    faults: tuple[LineFault, ...]


def table_error(path: Path, faults: Sequence[LineFault], remedy: str) -> TableError:
    """One error for all faults of a table, in the order of their lines."""
    ordered = sorted(faults, key=lambda fault: fault.line)
    lines = [f"line {fault.line}: {fault.text}" for fault in ordered]
    if len(lines) == 1:
        return TableError(lines[0], where=str(path), remedy=remedy)
    return TableError(f"{fault_list(lines)}\n{remedy}", where=str(path))


def read_csv(
    path: Path,
    *,
    columns: Sequence[str],
    required: Sequence[str],
    if_missing: str = "Check the folder and the file's name",
    in_spite_of_header: bool = False,
) -> CsvTable:
    """The table in a comma-separated UTF-8 file with a header; blank lines are skipped.

    ``columns`` are the names that mean something, to recognise a misspelt one by; those in
    ``required`` must be there. ``if_missing`` is the remedy where there is no such file.
    ``in_spite_of_header`` has the rows read, and the header's faults put beside theirs, where the
    header names several columns; a record then lacks the columns that are missing.

    Raises:
        TableError: the file can't be read, isn't such a text, or its header is at fault.
    """
    text = read_text(path, "CSV", if_missing)
    lines = list(_lines(path, text))
    if not lines:
        raise TableError(
            "is empty",
            where=str(path),
            expected="a header line with " + ", ".join(required),
            remedy="Copy it again from where it was recorded",
        )
    header_line, header = lines[0]
    names = _without_empty_end(header, 0)
    faults = [LineFault(header_line, text) for text in _header_faults(names, columns, required)]
    if faults and not (in_spite_of_header and len(names) > 1):
        remedy = f"The first line must name the columns, {', '.join(required)} among them"
        raise table_error(path, faults, remedy)
    records = []
    for line, raw_cells in lines[1:]:
        cells = _without_empty_end(raw_cells, len(names))
        if len(cells) > len(names):
            why = "is there a decimal comma, or a comma in a text without quotes?"
            what = f"has {len(cells)} cells, the header has {len(names)} ({why})"
            faults.append(LineFault(line, what))
        else:
            cells += [""] * (len(names) - len(cells))
            records.append((line, dict(zip(names, cells, strict=True))))
    return CsvTable(path, header_line, tuple(names), tuple(records), tuple(faults))


def read_text(path: Path, kind: str, if_missing: str) -> str:
    """The file's text without a byte-order mark; ``kind`` is what it should be, as ``CSV``.

    Raises:
        TableError: it can't be read, or isn't text in UTF-8, with the line.
    """
    saved = "Save it again as 'CSV UTF-8'" if kind == "CSV" else "Save it again as UTF-8"
    try:
        with path.open("rb") as stream:
            raw = stream.read(_MOST_BYTES + 1)
    except (FileNotFoundError, NotADirectoryError) as error:
        folder = path.parent
        if not folder.is_dir():
            raise TableError(
                "there is no such folder",
                where=str(folder),
                expected=f"a folder that holds {path.name}",
                remedy=if_missing,
            ) from error
        raise TableError(
            f"doesn't exist{near_name(folder, path.name, misspelt=True)}",
            where=str(path),
            expected=f"a {kind} file",
            remedy=if_missing,
        ) from error
    except (OSError, ValueError) as error:  # ValueError: a name that no file can have
        raise TableError(
            f"can't be read ({getattr(error, 'strerror', None) or error})",
            where=str(path),
            expected=f"a {kind} file",
            remedy=if_missing,
        ) from error
    if len(raw) > _MOST_BYTES:
        raise TableError("is far too large for a table", where=str(path))
    if raw.startswith(_UTF16) or b"\0" in raw:
        raise TableError(
            "is not plain text, or is UTF-16",
            where=str(path),
            expected="text in UTF-8",
            remedy=saved,
        )
    try:
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = raw.count(b"\n", 0, error.start) + 1
        raise TableError(
            f"line {line}: byte 0x{raw[error.start]:02X} is not UTF-8 text",
            where=str(path),
            expected="text in UTF-8",
            remedy=saved,
        ) from error


def _lines(path: Path, text: str) -> Iterator[tuple[int, list[str]]]:
    """Line number (of its first line) and cells of every record that isn't blank."""
    reader = csv.reader(io.StringIO(text, newline=""), strict=True)
    line = 1
    try:
        for cells in reader:
            stripped = [cell.strip() for cell in cells]
            if any(stripped):
                yield line, stripped
            line = reader.line_num + 1
    except csv.Error as error:
        raise TableError(
            f"line {line}: is not proper CSV ({error})",
            where=str(path),
            expected="comma-separated cells, quotes in pairs",
        ) from error


def _without_empty_end(cells: list[str], least: int) -> list[str]:
    """The cells less the empty ones at the end: spreadsheets leave commas there."""
    end = len(cells)
    while end > least and not cells[end - 1]:
        end -= 1
    return cells[:end]


def _header_faults(
    names: Sequence[str], columns: Sequence[str], required: Sequence[str]
) -> Iterator[str]:
    """What is wrong with the header."""
    missing = [name for name in required if name not in names]
    if missing and len(names) == 1:
        for separator, called in ((";", "semicolons"), ("\t", "tabs")):
            if separator in names[0]:
                yield (
                    f"the cells are separated by {called}; separate them by commas, and write "
                    "decimal points"
                )
                return
    for name in missing:
        near = _nearest_unknown(name, names, columns)
        yield f"column {name!r} is missing" + (f" (is {near!r} meant for it?)" if near else "")
    for name, count in Counter(names).items():
        if not name:
            yield "a column has no name"
        elif count > 1:
            yield f"column {name!r} stands there {count} times"


def _nearest_unknown(name: str, names: Sequence[str], columns: Sequence[str]) -> str | None:
    """The column of the file, unknown as it is, whose name is most like ``name``."""
    unknown = {found.lower().replace(" ", "_"): found for found in names if found not in columns}
    close = get_close_matches(name, unknown, n=1, cutoff=0.7)
    return unknown[close[0]] if close else None
