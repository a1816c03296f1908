"""Options that several commands share."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

Quiet = Annotated[bool, typer.Option("--quiet", help="No progress on stderr.")]
Json = Annotated[bool, typer.Option("--json", help="One machine-readable result on stdout.")]
Debug = Annotated[bool, typer.Option("--debug", help="Show the traceback of a fault of the tool.")]
Replace = Annotated[bool, typer.Option("--replace", help="Replace an older result.")]
Config = Annotated[Path, typer.Argument(metavar="CONFIG", help="Config file (.toml).")]
Library = Annotated[
    Path, typer.Option("--library", metavar="FOLDER", help="Folder of the calibration library.")
]
AcceptanceConfig = Annotated[
    Path | None,
    typer.Option(
        "--config", metavar="FILE", help="Calibration config whose table [acceptance] counts."
    ),
]

FAILED_VERDICT = 3
"""Exit code: done, but the verdict is fail."""


def given(folders: dict[str, Path | None]) -> dict[str, object]:
    """Those of the overrides that were given on the command line."""
    return {key: folder for key, folder in folders.items() if folder is not None}


def moment_text(text: str, option: str = "--date") -> str:
    """A moment that was given on the command line, with its zone.

    Raises:
        typer.BadParameter: it is none.
    """
    from pipeline.calibration.decisions import moment  # noqa: PLC0415 - not for --help

    try:
        return moment(text).isoformat()
    except ValueError:
        raise typer.BadParameter(
            f"{text!r} is no date; write 2026-03-31 or 2026-03-31T08:00:00+00:00",
            param_hint=option,
        ) from None
