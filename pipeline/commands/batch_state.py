"""Where a batch keeps its index, its lock and its list, and what must not be half-way there."""

# ruff: noqa: PLC0415 - imported where it is needed, so that --help doesn't wait for it

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from pipeline.errors import InputError

Root = Annotated[
    Path, typer.Argument(metavar="ROOT", help="Folder that the welds lie in, at any depth.")
]
Sheet = Annotated[
    Path | None,
    typer.Option(
        "--job-sheet", metavar="FILE", help="Job sheet whose rows count more than the configs."
    ),
]
Library = Annotated[
    Path | None,
    typer.Option(
        "--library", metavar="FOLDER", help="Calibration library for all welds, whatever they name."
    ),
]
IndexFolder = Annotated[
    Path | None,
    typer.Option(
        "--index", metavar="FOLDER", help="Where the index lies; without it in ROOT, hidden."
    ),
]
Welds = Annotated[
    list[str] | None,
    typer.Option("--weld", metavar="WELD", help="Only this weld (and shot); may be repeated."),
]


def state_folder(root: Path) -> Path:
    """Where lock and list lie, and the index unless another place is named.

    Raises:
        InputError: there is no such root.
    """
    from pipeline.batch.names import STATE_FOLDER

    if not root.is_dir():
        raise InputError("there is no such folder", where=str(root))
    return root / STATE_FOLDER


def require_complete(root: Path) -> None:
    """Raise InputError where an ``accept`` was cut off, or there is no such root."""
    from pipeline.batch.accept import interrupted

    if interrupted(state_folder(root)):
        raise InputError(
            "an accept was interrupted",
            where=str(root),
            remedy="girthstrip batch accept with the same folder completes it",
        )
