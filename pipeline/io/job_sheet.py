"""The job sheet: what the shift wrote down before it began, one row a weld, as CSV or TOML.

Its columns are the config's keys; ``CONFIG_KEYS`` says which. In TOML each weld is a table
``[[weld]]``.
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterable, Mapping
from difflib import get_close_matches
from pathlib import Path
from types import MappingProxyType

from pipeline.config.faults import shown
from pipeline.config.weld import WeldJob
from pipeline.errors import TableError
from pipeline.io.csv_text import read_csv, table_error
from pipeline.io.fault_list import fault_list
from pipeline.io.near_names import near_name

CONFIG_KEYS: Mapping[str, str] = MappingProxyType(
    {
        "id": "weld.id",
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


def read_job_sheet(path: Path, weld_id: str) -> Mapping[str, str]:
    """What the sheet says about one weld: column to text, empty cells left out, ``id`` included.

    Numbers are returned as they are written; the config checks them.

    Raises:
        TableError: the sheet can't be read, has columns that mean nothing here (a misspelt one
            would be lost in silence), or doesn't have the weld exactly once.
    """
    welds = _toml_rows(path) if path.suffix.lower() == ".toml" else _csv_rows(path)
    _require_known(path, {name for _, row in welds for name in row})
    matches = [(place, row) for place, row in welds if row.get("id") == weld_id]
    if len(matches) > 1:
        places = ", ".join(place for place, _ in matches)
        raise TableError(
            f"weld {weld_id!r} stands there {len(matches)} times ({places})",
            where=str(path),
            expected="one row a weld",
            remedy="Keep the row that holds",
        )
    if not matches:
        ids = [row.get("id", "") for _, row in welds]
        raise TableError(
            f"has no weld {weld_id!r}{_nearest(weld_id, ids)}",
            where=str(path),
            expected="a row with this id" + (f" among its {len(ids)}" if len(ids) > 1 else ""),
            remedy="Add the weld to the sheet, or correct weld.id in the config",
        )
    return {name: text for name, text in matches[0][1].items() if text and name not in _FREE}


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


def _csv_rows(path: Path) -> list[tuple[str, dict[str, str]]]:
    """Place and cells of each row."""
    table = read_csv(
        path,
        columns=(*CONFIG_KEYS, *_FREE),
        required=("id",),
        if_missing="Correct the job sheet's name",
    )
    if table.faults:
        raise table_error(path, table.faults, "Correct the sheet")
    _require_known(path, table.columns)
    return [(f"line {line}", cells) for line, cells in table.records]


def _toml_rows(path: Path) -> list[tuple[str, dict[str, str]]]:
    """Place and values, as text, of each ``[[weld]]``."""
    try:
        with path.open("rb") as stream:
            document = tomllib.load(stream)
    except FileNotFoundError as error:
        raise TableError(
            f"doesn't exist{near_name(path.parent, path.name, misspelt=True)}",
            where=str(path),
            expected="a job sheet",
            remedy="Correct the job sheet's name",
        ) from error
    except (
        OSError,
        ValueError,
        RecursionError,
    ) as error:  # TOML and Unicode errors are ValueErrors
        reason = getattr(error, "strerror", None) or error
        raise TableError(
            f"can't be read ({reason})", where=str(path), expected="a job sheet in TOML"
        ) from error
    welds = document.pop("weld", None)
    if document or not isinstance(welds, list) or not all(map(_is_plain, welds)):
        raise TableError(
            "is no list of welds",
            where=str(path),
            expected="tables [[weld]] of texts and numbers, and nothing else",
        )
    return [
        (f"weld {number}", {name: str(value).strip() for name, value in weld.items()})
        for number, weld in enumerate(welds, start=1)
    ]


def _is_plain(weld: object) -> bool:
    """Whether a TOML value is a table of texts and numbers."""
    return isinstance(weld, dict) and all(
        isinstance(value, str | int | float) and not isinstance(value, bool)
        for value in weld.values()
    )


def _require_known(path: Path, names: Iterable[str]) -> None:
    known = (*CONFIG_KEYS, *_FREE)
    strange = [
        f"column {name!r} means nothing here{_nearest(name, known)}"
        for name in sorted(names)
        if name not in known
    ]
    if strange:
        raise TableError(
            fault_list(strange),
            where=str(path),
            expected="columns among " + ", ".join(known),
            remedy="Rename the column, or put what is only for people under 'notes'",
        )


def _nearest(name: str, choices: Iterable[str]) -> str:
    close = get_close_matches(name, list(choices), n=1, cutoff=0.6)
    return f" (is {close[0]!r} meant?)" if close else ""
