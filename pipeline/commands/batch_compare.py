"""``girthstrip batch compare ROOT``: what the new results changed."""

# ruff: noqa: PLC0415 - imported where it is needed, so that --help doesn't wait for it

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from pipeline.commands.batch_state import (
    IndexFolder,
    Library,
    Sheet,
    require_complete,
    state_folder,
)
from pipeline.commands.options import FAILED_VERDICT, Debug, Json, Quiet
from pipeline.errors import InputError
from pipeline.terminal import ProgressLines, show

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pipeline.outputs.batch.change import Change

_SHOWN = 12


def compare(
    root: Annotated[
        Path, typer.Argument(metavar="ROOT", help="Folder that the welds lie in; or an old result.")
    ],
    other: Annotated[
        Path | None,
        typer.Argument(metavar="NEW", help="With it only two results: ROOT is the old one."),
    ] = None,
    out: Annotated[
        Path | None,
        typer.Option("--out", metavar="FOLDER", help="New folder for page, tables and pictures."),
    ] = None,
    library: Library = None,
    job_sheet: Sheet = None,
    index: IndexFolder = None,
    quiet: Quiet = False,
    as_json: Json = False,
    debug: Debug = False,
) -> None:
    """Hold every new result against the old one beside it: verdicts, figures, pixels.

    Ends with 3 if a verdict became fail.
    """
    from pipeline.batch.compare import Pair, compare_pairs, pairs_of, write_changes
    from pipeline.io.folders import new_folder, require_free
    from pipeline.outputs.batch.tables import changes_record

    if out is not None:
        require_free(out, False, ())
    with ProgressLines(quiet) as progress:
        if other is not None:
            pairs: Sequence[Pair] = [Pair(root.name, str(root), str(other))]
        else:
            pairs = pairs_of(_waiting(root, library, job_sheet, index, progress))
        changes, pictures = compare_pairs(pairs, progress)
    if out is not None:
        with new_folder(out) as folder:
            write_changes(folder, str(root), changes, pictures)
    show(as_json, changes_record(changes), _text(changes, out))
    if any(one.new_verdict == "fail" and one.old_verdict != "fail" for one in changes):
        raise typer.Exit(FAILED_VERDICT)


def _waiting(
    root: Path, library: Path | None, job_sheet: Path | None, index: Path | None, progress: Any
) -> Any:
    """The welds whose new result waits beside the old one."""
    from pipeline.batch.entry import State
    from pipeline.batch.index import Index
    from pipeline.batch.plan import make_plan
    from pipeline.batch.source import told_by

    require_complete(root)
    with Index(index or state_folder(root)) as opened:
        plan = make_plan(root, opened, told_by(job_sheet, library), progress=progress)
    waiting = plan.of(State.REPROCESSED)
    if not waiting:
        raise InputError(
            "has no new results to compare",
            where=str(root),
            remedy="girthstrip batch run makes them; what was accepted is compared by naming two "
            "result folders, old and new",
        )
    return waiting


def _text(changes: Sequence[Change], out: Path | None) -> str:
    from pipeline.batch.compare import PAGE

    ordered = sorted(changes, key=lambda one: one.order)
    look = [one for one in ordered if one.look]
    lines = [
        f"compared    {len(changes)} welds",
        f"identical   {sum(one.identical for one in changes)}: every file the same, byte for byte",
        f"same strip  {sum(one.same_strip for one in changes)}: strip and maps the same, byte for "
        "byte",
        f"look at     {len(look)}",
    ]
    lines += [f"  {one.weld}: {'; '.join(one.look)}" for one in look[:_SHOWN]]
    if len(look) > _SHOWN:
        lines.append(f"  and {len(look) - _SHOWN} more")
    if out is not None:
        lines.append(f"page        {out / PAGE}")
    return "\n".join(lines)
