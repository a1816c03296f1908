"""Marks as the table of indications that ``girthstrip measure`` and the config read."""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping, Sequence
from typing import Any

from pipeline.io.indications import COLUMNS
from pipeline.review.weld import OpenWeld

_POINT_MM = 0.5  # a point becomes a box that reaches so far to each side
_FORMULA = ("=", "+", "-", "@", "\t")


def marks_csv(marks: Sequence[Mapping[str, Any]], weld: OpenWeld) -> str:
    """The marks that stand, a row each; author and time are told in the note.

    A text that a spreadsheet would take for a formula gets an apostrophe before it.
    """
    text = io.StringIO(newline="")
    writer = csv.DictWriter(text, COLUMNS, lineterminator="\n")
    writer.writeheader()
    for mark in marks:
        if not mark["deleted"]:
            writer.writerow(_row(mark, weld))
    return text.getvalue()


def _row(mark: Mapping[str, Any], weld: OpenWeld) -> dict[str, str]:
    s0, z0, s1, z1 = (float(mark[name]) for name in ("s0", "z0", "s1", "z1"))
    said = " ".join(str(mark["remark"]).split())
    by = f"{mark['author']}, {str(mark['time'])[:16]} UTC"
    row = {
        "id": str(mark["id"]),
        "kind": _harmless(str(mark["word"])),
        "note": _harmless(f"{said} ({by})" if said else by),
    }
    if mark["kind"] == "line":
        return {**row, "line_mm": f"{_mm(s0)} {_mm(z0)}; {_mm(s1)} {_mm(z1)}"}
    if mark["kind"] == "point":
        turn = weld.places.first_turn
        s0, s1 = turn(s0 - _POINT_MM), turn(s1 + _POINT_MM)
        z0, z1 = z0 - _POINT_MM, z1 + _POINT_MM
    box = zip(COLUMNS[2:6], (s0, s1, z0, z1), strict=True)
    return {**row, **{name: _mm(value) for name, value in box}}


def _mm(value: float) -> str:
    return f"{value:.4f}".rstrip("0").rstrip(".")


def _harmless(text: str) -> str:
    return f"'{text}" if text.startswith(_FORMULA) else text
