"""The job sheet: what the shift wrote down before it began, one row a weld, as CSV or TOML.

Its columns are the config's keys; ``CONFIG_KEYS`` says which. In TOML each weld is a table
``[[weld]]``. A weld that is shot again has a row for each shot, told apart by ``shot``.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from difflib import get_close_matches
from pathlib import Path
from types import MappingProxyType
from typing import Any

from pipeline.config.faults import shown
from pipeline.config.load import parse_toml
from pipeline.config.toml_lines import key_lines
from pipeline.config.weld import WeldJob
from pipeline.errors import TableError
from pipeline.io.csv_text import LineFault, read_csv, read_text, table_error
from pipeline.io.job_sheet_values import row_faults

CONFIG_KEYS: Mapping[str, str] = MappingProxyType(
    {
        "id": "weld.id",
        "shot": "weld.shot",
        "line": "weld.line",
        "station": "weld.station",
        "procedure": "weld.procedure",
        "material": "weld.material",
        "diameter_mm": "weld.diameter_mm",
        "wall_mm": "weld.wall_mm",
        "operator": "weld.operator",
        "evaluator": "weld.evaluator",
        "datum_encoder_mm": "scan.datum_encoder_mm",
        "direction": "scan.direction",
    }
)
_FREE = ("notes",)  # a column for people; nothing reads it
_MEND = "Correct the sheet"
_IF_MISSING = "Correct the job sheet's name"
_TABLES = "a sheet holds tables [[weld]], one a weld, and nothing else"


@dataclass(frozen=True, slots=True)
class SheetRow:
    """One weld as the sheet has it: the line it stands in, and column → text, empty ones left
    out, those that are only for people too. ``lines`` are those of cells with a line of their own.
    """

    line: int
    cells: Mapping[str, str]
    lines: Mapping[str, int] = field(default_factory=dict)

    def line_of(self, column: str) -> int:
        """Where a cell stands."""
        return self.lines.get(column, self.line)

    @property
    def name(self) -> tuple[str, str]:
        """Weld and shot: what tells a row from the others."""
        return self.cells.get("id", ""), self.cells.get("shot", "")

    @property
    def told(self) -> Mapping[str, str]:
        """The config's dotted keys → what the row says."""
        return {CONFIG_KEYS[column]: text for column, text in self.cells.items()}


@dataclass(frozen=True, slots=True)
class Sheet:
    """All rows of a sheet, in its order, and what is wrong with its form (not with values).

    ``names_welds`` tells whether it has a column for the welds' numbers.
    """

    path: Path
    rows: tuple[SheetRow, ...]
    faults: tuple[LineFault, ...]
    names_welds: bool = True


def read_sheet(path: Path) -> Sheet:
    """The sheet as it is written.

    Raises:
        TableError: it can't be read at all.
        ConfigError: it is called .toml and is no TOML.
    """
    sheet = _toml_sheet(path) if path.suffix.lower() == ".toml" else _csv_sheet(path)
    rows = []
    for row in sheet.rows:
        known = {name: text for name, text in row.cells.items() if text and name in CONFIG_KEYS}
        rows.append(replace(row, cells=known))
    return replace(sheet, rows=tuple(rows))


def read_job_sheet(path: Path, weld_id: str, shot: str = "") -> Mapping[str, str]:
    """What the sheet says about one weld's shot: column to text, empty cells left out, ``id``
    included.

    Numbers are returned as they are written.

    Raises:
        TableError: the sheet can't be read, has columns that mean nothing here (a misspelt one
            would be lost in silence), doesn't have the shot exactly once, or has values in its row
            that can't be.
        ConfigError: it is called .toml and is no TOML.
    """
    sheet = read_sheet(path)
    if sheet.faults:
        raise table_error(path, sheet.faults, _MEND)
    matches = [row for row in sheet.rows if row.name == (weld_id, shot)]
    called = f"weld {weld_id!r}" + (f", shot {shot}" if shot else "")
    if len(matches) > 1:
        places = ", ".join(f"line {row.line}" for row in matches)
        raise TableError(
            f"{called} stands there {len(matches)} times ({places})",
            where=str(path),
            expected="one row a weld, and another one, with its own shot, if it is shot again",
            remedy="Keep the row that holds",
        )
    if not matches:
        raise _missing(sheet, weld_id, shot, called)
    wrong = row_faults(matches[0].cells, CONFIG_KEYS)
    if wrong:
        lines = [LineFault(matches[0].line_of(column), text) for column, text in wrong]
        raise table_error(path, lines, _MEND)
    return matches[0].cells


def cell_faults(sheet: Sheet) -> Iterator[LineFault]:
    """What is wrong with the values of all rows, each looked at for itself."""
    for row in sheet.rows:
        if sheet.names_welds and "id" not in row.cells:
            yield LineFault(row.line, "column 'id' is empty: which weld is it?")
        for column, text in row_faults(row.cells, CONFIG_KEYS):
            yield LineFault(row.line_of(column), text)


def replaced_values(sheet: Mapping[str, str], config: WeldJob, job: WeldJob) -> tuple[str, ...]:
    """A sentence for each value of the config that the sheet's row replaced by another.

    ``config`` is the job without the sheet, ``job`` with it.
    """
    sentences = []
    for column in sheet:
        section, _, key = CONFIG_KEYS[column].partition(".")
        before, after = (getattr(getattr(one, section), key) for one in (config, job))
        if before != after:
            sentences.append(
                f"{section}.{key} = {shown(after)} replaces the config's {shown(before)}"
            )
    return tuple(sentences)


def _missing(sheet: Sheet, weld_id: str, shot: str, called: str) -> TableError:
    shots = [row.name[1] for row in sheet.rows if row.name[0] == weld_id]
    if shots:
        others = ", ".join(one or "the first (no shot)" for one in shots)
        return TableError(
            f"has no {called}; of this weld it has {others}",
            where=str(sheet.path),
            expected="a row with this id and shot",
            remedy="Name the shot that is meant with --shot or weld.shot in the config, or add it "
            "to the sheet",
        )
    ids = [row.name[0] for row in sheet.rows]
    return TableError(
        f"has no {called}{_nearest(weld_id, ids)}",
        where=str(sheet.path),
        expected="a row with this id" + (f" among its {len(ids)}" if len(ids) > 1 else ""),
        remedy="Add the weld to the sheet, or correct weld.id in the config",
    )


def _csv_sheet(path: Path) -> Sheet:
    table = read_csv(
        path,
        columns=(*CONFIG_KEYS, *_FREE),
        required=("id",),
        if_missing=_IF_MISSING,
        in_spite_of_header=True,
    )
    faults = [LineFault(table.header_line, text) for text in _strange(filter(None, table.columns))]
    rows = tuple(SheetRow(line, cells) for line, cells in table.records)
    return Sheet(path, rows, (*faults, *table.faults), names_welds="id" in table.columns)


def _toml_sheet(path: Path) -> Sheet:
    text = read_text(path, "TOML", _IF_MISSING)
    document = parse_toml(path, text, WeldJob)
    lines = key_lines(text)
    welds = document.pop("weld", [])
    faults = [
        LineFault(lines.get((name,), 1), f"{name!r} doesn't belong here: {_TABLES}")
        for name in document
    ]
    if not _tables(welds) and welds != []:
        faults.append(LineFault(lines.get(("weld",), 1), f"'weld' is no such table: {_TABLES}"))
    rows = []
    for number, weld in enumerate(_tables(welds)):
        line = lines.get(("weld", number), 1)
        own = {name: lines.get(("weld", number, name), line) for name in weld}
        strange = {name: told for name in weld for told in _strange([name])}
        odd = {
            name: f"column {name!r} must be a text or a number"
            for name, value in weld.items()
            if not _is_plain(value)
        }
        faults += [LineFault(own[name], told) for name, told in (odd | strange).items()]
        cells = {name: str(value).strip() for name, value in weld.items() if name not in odd}
        rows.append(SheetRow(line, cells, own))
    return Sheet(path, tuple(rows), tuple(faults))


def _tables(welds: object) -> list[dict[str, Any]]:
    """What a sheet has under ``weld`` as tables; none where it is anything else."""
    found = welds if isinstance(welds, list) else []
    return found if all(isinstance(weld, dict) for weld in found) else []


def _is_plain(value: object) -> bool:
    """Whether a TOML value is a text or a number."""
    return isinstance(value, str | int | float) and not isinstance(value, bool)


def _strange(names: Iterable[str]) -> list[str]:
    """A sentence for each column that means nothing."""
    known = (*CONFIG_KEYS, *_FREE)
    return [
        f"column {name!r} means nothing here{_nearest(name, known)}; the columns are "
        f"{', '.join(known)}. What is only for people goes under 'notes'"
        for name in names
        if name not in known
    ]


def _nearest(name: str, choices: Iterable[str]) -> str:
    close = get_close_matches(name, list(choices), n=1, cutoff=0.6)
    return f" (is {close[0]!r} meant?)" if close else ""
