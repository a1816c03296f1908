"""``girthstrip demo``: a whole small job from nothing."""

# ruff: noqa: PLC0415 - what takes long to import is imported where it is used

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from pipeline.commands.options import Debug, Json, Quiet
from pipeline.commands.stitch import end_with_strip
from pipeline.terminal import ProgressLines


def demo(
    out: Annotated[
        Path | None,
        typer.Option(
            "--out",
            metavar="FOLDER",
            help="New folder for everything; without it ./girthstrip-demo.",
        ),
    ] = None,
    quiet: Quiet = False,
    as_json: Json = False,
    debug: Debug = False,
) -> None:
    """Do a whole small job: simulate, calibrate, stitch."""
    from pipeline.demo import free_folder, run_demo

    with ProgressLines(quiet) as progress:
        result = run_demo(free_folder() if out is None else out, progress)
    end_with_strip(result, as_json)
