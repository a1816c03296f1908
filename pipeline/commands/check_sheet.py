"""``girthstrip check-sheet``: a job sheet looked over before the shift."""

# ruff: noqa: PLC0415 - imports what it needs, so that --help doesn't wait for it

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from pipeline.commands.options import Debug, Json, Quiet
from pipeline.terminal import show


def check_sheet(
    sheet: Annotated[Path, typer.Argument(metavar="SHEET", help="Job sheet (.csv or .toml).")],
    config: Annotated[
        Path | None,
        typer.Option(
            "--config", metavar="FILE", help="Weld config that the rows will be stitched with."
        ),
    ] = None,
    quiet: Quiet = False,
    as_json: Json = False,
    debug: Debug = False,
) -> None:
    """Check a job sheet row by row: every fault at once, with its line and column.

    What it says of each weld is listed. The SHA-256 tells whether a copy is the same.
    """
    from pipeline.io.job_sheet_check import check_sheet as check

    found = check(sheet, config)
    lines = [f"job sheet   {sheet}", f"sha256      {found.sha256}"]
    for row in found.rows:
        weld, shot = row.name
        others = (f"{name} {text}" for name, text in row.cells.items() if name not in _NAME)
        lines.append(f"line {row.line:<7}{weld}{f' {shot}' * bool(shot)}: {', '.join(others)}")
    lines += [f"note        {remark}" for remark in found.remarks]
    show(
        as_json,
        {
            "sheet": str(sheet),
            "sha256": found.sha256,
            "welds": [{"at_line": row.line, **row.cells} for row in found.rows],
            "remarks": list(found.remarks),
        },
        "\n".join(lines),
    )


_NAME = ("id", "shot")
