"""``girthstrip archive audit ROOT``: what in an archive needs a question."""

# ruff: noqa: PLC0415 - imported where it is needed, so that --help doesn't wait for it

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from pipeline.commands.options import Debug, Json, Quiet, Replace
from pipeline.terminal import ProgressLines, show

_FILES = ("audit.json", "audit.html")


def audit(
    root: Annotated[
        Path, typer.Argument(metavar="ROOT", help="Folder that welds' results or bags lie in.")
    ],
    out: Annotated[
        Path | None,
        typer.Option("--out", metavar="FOLDER", help="New folder for audit.html and audit.json."),
    ] = None,
    frames: Annotated[
        int,
        typer.Option(
            "--frames",
            metavar="N",
            min=0,
            help="Raw frames of each weld to hold against their panel; 0 leaves that out.",
        ),
    ] = 3,
    strips: Annotated[
        bool,
        typer.Option("--strips", help="Also read every strip and compare it with its records."),
    ] = False,
    most_in_shift: Annotated[
        int,
        typer.Option("--most-in-shift", metavar="N", min=1, help="Welds of a panel in 12 hours."),
    ] = 20,
    threads: Annotated[
        int | None,
        typer.Option("--threads", metavar="N", min=1, help="Threads; without it all cores."),
    ] = None,
    replace: Replace = False,
    quiet: Quiet = False,
    as_json: Json = False,
    debug: Debug = False,
) -> None:
    """Look for welds recorded under two names, foreign frames, and times that can't be.

    Everything found is named with its evidence, as a question for a person. Nothing in the archive
    is changed.
    """
    import json
    import os

    from pipeline.io.folders import new_folder, require_free
    from pipeline.outputs.audit.audit import audit as look
    from pipeline.outputs.audit.page import render_audit
    from pipeline.quality.evidence.schedule import Limits

    if out is not None:
        require_free(out, replace, _FILES)
    with ProgressLines(quiet) as progress:
        found = look(
            root,
            frames_each=frames,
            strips=strips,
            limits=Limits(most_in_shift=most_in_shift),
            threads=threads or os.cpu_count() or 1,
            progress=progress,
        )
    text = found.text()
    if out is not None:
        with new_folder(out, replace=replace, own_files=_FILES) as folder:
            record = json.dumps(found.as_dict(), indent=1, sort_keys=True) + "\n"
            (folder / "audit.json").write_text(record, encoding="utf-8")
            (folder / "audit.html").write_text(render_audit(found), encoding="utf-8")
        text += f"\npage        {out / 'audit.html'}"
    show(as_json, found.as_dict(), text)
