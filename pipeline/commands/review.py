"""``girthstrip review``: a page to look at strips, measure in them and write down what is seen."""

# ruff: noqa: PLC0415 - each command imports what it needs, so that --help doesn't wait for it

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from pipeline.commands.options import Debug, Json
from pipeline.terminal import CAUTION, show


def review(
    folder: Annotated[
        Path,
        typer.Argument(metavar="FOLDER", help="A result folder, or a folder with welds in it."),
    ],
    port: Annotated[
        int, typer.Option("--port", min=0, max=65535, help="Port; 0 takes a free one.")
    ] = 0,
    read_only: Annotated[
        bool, typer.Option("--read-only", help="Nothing is written down: no marks, no views.")
    ] = False,
    idle: Annotated[
        float,
        typer.Option("--idle", metavar="MIN", min=0.01, help="Stop after so long unused, minutes."),
    ] = 240.0,
    words: Annotated[
        Path | None,
        typer.Option(
            "--words", metavar="FILE", help="The reviewer's own type words, a line of text each."
        ),
    ] = None,
    as_json: Json = False,
    debug: Debug = False,
) -> None:
    """Serve a page for reviewing strips, on this machine only, until Ctrl-C."""
    from pipeline.review.serve import serve
    from pipeline.review.words_file import read_words

    own = () if words is None else read_words(words)

    def ready(address: str) -> None:
        text = f"open        {address}\nstop        Ctrl-C, or {idle:g} minutes unused\n{CAUTION}"
        show(as_json, {"address": address, "read_only": read_only}, text)

    try:
        serve(folder, port=port, read_only=read_only, idle_s=60 * idle, words=own, ready=ready)
    except KeyboardInterrupt:
        typer.echo("stopped; what was saved is saved", err=True)
