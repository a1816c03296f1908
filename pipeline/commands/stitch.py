"""``girthstrip stitch``: one weld's frames into one strip."""

# ruff: noqa: PLC0415 - what takes long to import is imported where it is used

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from pipeline.commands.logged import logged
from pipeline.commands.options import FAILED_VERDICT, Config, Debug, Json, Quiet, Replace, given
from pipeline.terminal import ProgressLines, show, show_strip

if TYPE_CHECKING:
    from pipeline.run import RunResult


def stitch(
    config: Config,
    frames: Annotated[
        Path | None,
        typer.Option("--frames", metavar="FOLDER", help="Folder of the frames and frames.csv."),
    ] = None,
    calibration: Annotated[
        Path | None,
        typer.Option("--calibration", metavar="FOLDER", help="Folder of the calibration."),
    ] = None,
    library: Annotated[
        Path | None,
        typer.Option(
            "--library",
            metavar="FOLDER",
            help="Calibration library to take the nearest valid one from.",
        ),
    ] = None,
    out: Annotated[
        Path | None, typer.Option("--out", metavar="FOLDER", help="New folder for the result.")
    ] = None,
    job_sheet: Annotated[
        Path | None,
        typer.Option(
            "--job-sheet",
            metavar="FILE",
            help="Job sheet (.csv or .toml); its row of this weld counts.",
        ),
    ] = None,
    shot: Annotated[
        str | None,
        typer.Option(
            "--shot",
            metavar="NUMBER",
            help="Which shot of the weld: R1 after its first repair, RS1 if only shot again.",
        ),
    ] = None,
    replace: Replace = False,
    dry_run: Annotated[
        bool, typer.Option("--dry-run", help="Only show what would be done, and its memory.")
    ] = False,
    threads: Annotated[
        int | None,
        typer.Option("--threads", metavar="N", min=1, help="Threads; without it all cores."),
    ] = None,
    quiet: Quiet = False,
    as_json: Json = False,
    debug: Debug = False,
) -> None:
    """Make one weld's frames into one strip."""
    from pipeline.config.weld import load_weld_config, with_own_folder
    from pipeline.io.job_sheet import CONFIG_KEYS, read_job_sheet, replaced_values

    folders = given(
        {"frames.folder": frames, "calibration.folder": calibration, "output.folder": out}
    )
    if library is not None:  # a folder that the config names doesn't count then
        folders = (
            {"calibration.folder": calibration} | folders | {"calibration.from_library": library}
        )
    if shot is not None:
        folders["weld.shot"] = shot
    job = load_weld_config(config, folders)
    replaced: tuple[str, ...] = ()
    if job_sheet is not None:
        row = read_job_sheet(job_sheet, job.weld.id, job.weld.shot)
        told = {CONFIG_KEYS[column]: text for column, text in row.items()}
        without, job = job, load_weld_config(config, folders | told, source=str(job_sheet))
        replaced = replaced_values(row, without, job)
    if out is None:
        job = with_own_folder(job)
    if dry_run:
        from pipeline.dry_run import dry_run as look

        found = look(job, replace=replace)
        lines = [*(f"sheet    {sentence}" for sentence in replaced), found.text()]
        record = found.as_dict() | {"from_job_sheet": list(replaced)}
        show(as_json, record, "\n".join(lines))
        return

    from pipeline.outputs.report.page import begin_page
    from pipeline.run import run_weld

    with ProgressLines(quiet) as progress:
        result = run_weld(
            job, report=begin_page, progress=progress, threads=threads, replace_folder=replace
        )
    end_with_strip(result, as_json, replaced)


def end_with_strip(result: RunResult, as_json: bool, replaced: Sequence[str] = ()) -> None:
    """Note the result in the weld's audit log, show it, and end with its verdict's exit code."""
    logged(result.folder, "stitch", verdict=str(result.verdict))
    show_strip(result, as_json, replaced)
    if result.verdict == "fail":
        raise typer.Exit(FAILED_VERDICT)
