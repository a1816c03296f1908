"""The commands: parse, call, print. Results go to stdout, progress and messages to stderr."""

# ruff: noqa: PLC0415 - each command imports what it needs, so that --help doesn't wait for it

from __future__ import annotations

import io
import os
import sys
import traceback
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from pipeline import __version__
from pipeline.errors import InputError
from pipeline.terminal import ProgressLines, show, show_strip, tell

if TYPE_CHECKING:
    from pipeline.run import RunResult

_FAILED_VERDICT = 3
_INTERRUPTED = 130

app = typer.Typer(
    name="girthstrip",
    help="Raw frames of a digital X-ray panel carried round a girth weld, made into one "
    "calibrated strip and its quality log.",
    epilog="Begin with: girthstrip demo",
    add_completion=False,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
)

Quiet = Annotated[bool, typer.Option("--quiet", help="No progress on stderr.")]
Json = Annotated[bool, typer.Option("--json", help="One machine-readable result on stdout.")]
Debug = Annotated[bool, typer.Option("--debug", help="Show the traceback of a fault of the tool.")]
Replace = Annotated[bool, typer.Option("--replace", help="Replace an older result.")]
Config = Annotated[Path, typer.Argument(metavar="CONFIG", help="Config file (.toml).")]


def _print_version(wanted: bool) -> None:
    if wanted:
        typer.echo(f"girthstrip {__version__}")
        raise typer.Exit


@app.callback()
def _common(
    version: Annotated[
        bool,
        typer.Option("--version", is_eager=True, callback=_print_version, help="Show the version."),
    ] = False,
) -> None:
    """What all commands share."""


@app.command(epilog="Example: girthstrip demo --out try-it")
def demo(
    out: Annotated[
        Path | None,
        typer.Option("--out", help="New folder for everything; without it ./girthstrip-demo."),
    ] = None,
    quiet: Quiet = False,
    as_json: Json = False,
    debug: Debug = False,
) -> None:
    """Do a whole small job: simulate, calibrate, stitch."""
    from pipeline.demo import free_folder, run_demo

    with ProgressLines(quiet) as progress:
        result = run_demo(free_folder() if out is None else out, progress)
    _end_with_strip(result, as_json)


@app.command(epilog="Example: girthstrip simulate small scan --seed 7")
def simulate(
    preset: Annotated[
        str,
        typer.Argument(
            help="Ready scan: small, two_wall, arc, ring24, hard24 or continuous24.",
        ),
    ],
    out: Annotated[Path, typer.Argument(help="New folder for the scan.")],
    seed: Annotated[int, typer.Option("--seed", min=0, help="Other seeds, other scans.")] = 1,
    quiet: Quiet = False,
    as_json: Json = False,
    debug: Debug = False,
) -> None:
    """Make a scan of an invented weld, and its truth."""
    from pipeline.simulation.presets import get_preset
    from pipeline.simulation.write import write_scan

    chosen = get_preset(preset)
    with ProgressLines(quiet) as progress:
        folder = write_scan(chosen, out, seed=seed, progress=progress)
    calibrate_config, stitch_config = folder / "calibrate.toml", folder / "stitch.toml"
    show(
        as_json,
        {
            "folder": str(folder),
            "preset": chosen.name,
            "seed": seed,
            "calibrate_config": str(calibrate_config),
            "stitch_config": str(stitch_config),
        },
        f"scan        {folder} ({chosen.about})\n"
        f"next        girthstrip calibrate {calibrate_config}\n"
        f"then        girthstrip stitch {stitch_config}",
    )


@app.command(epilog="Example: girthstrip calibrate calibration.toml --out calibration-march")
def calibrate(
    config: Config,
    exposures: Annotated[
        Path | None,
        typer.Option("--exposures", help="Folder that holds the exposures' folders."),
    ] = None,
    out: Annotated[Path | None, typer.Option("--out", help="New calibration folder.")] = None,
    replace: Replace = False,
    quiet: Quiet = False,
    as_json: Json = False,
    debug: Debug = False,
) -> None:
    """Make a calibration from dark and flat exposures."""
    from pipeline.calibrate import run_calibrate
    from pipeline.calibration.acceptance import remarks
    from pipeline.config.calibrate import load_calibrate_config

    job = load_calibrate_config(config, _given({"output.folder": out}), exposures)
    with ProgressLines(quiet) as progress:
        made = run_calibrate(job, replace=replace, progress=progress)
    facts, folder = made.facts, job.output.folder
    bad = facts.bad_pixels.get("total", 0)
    share = bad / (facts.rows * facts.columns)
    show(
        as_json,
        {
            "folder": str(folder),
            "identity": made.identity,
            "bad_pixels": dict(facts.bad_pixels),
            "acceptance": dict(facts.acceptance),
            "remarks": list(remarks(facts)),
        },
        f"calibration {folder}\n"
        f"identity    {made.identity}\n"
        f"panel       {facts.serial}, {facts.rows} × {facts.columns} pixels\n"
        f"bad pixels  {bad} ({share:.3%})"
        + "".join(f"\nnote        {remark}" for remark in remarks(facts)),
    )


@app.command(epilog="Example: girthstrip stitch weld.toml --calibration calibration-march")
def stitch(
    config: Config,
    frames: Annotated[
        Path | None, typer.Option("--frames", help="Folder of the frames and frames.csv.")
    ] = None,
    calibration: Annotated[
        Path | None, typer.Option("--calibration", help="Folder of the calibration.")
    ] = None,
    out: Annotated[Path | None, typer.Option("--out", help="New folder for the result.")] = None,
    job_sheet: Annotated[
        Path | None,
        typer.Option("--job-sheet", help="Job sheet (.csv or .toml); its row of this weld counts."),
    ] = None,
    replace: Replace = False,
    dry_run: Annotated[
        bool, typer.Option("--dry-run", help="Only show what would be done, and its memory.")
    ] = False,
    threads: Annotated[
        int | None, typer.Option("--threads", min=1, help="Threads; without it all cores.")
    ] = None,
    quiet: Quiet = False,
    as_json: Json = False,
    debug: Debug = False,
) -> None:
    """Make one weld's frames into one strip."""
    from pipeline.config.weld import load_weld_config
    from pipeline.io.job_sheet import CONFIG_KEYS, read_job_sheet

    folders = _given(
        {"frames.folder": frames, "calibration.folder": calibration, "output.folder": out}
    )
    job = load_weld_config(config, folders)
    if job_sheet is not None:
        row = read_job_sheet(job_sheet, job.weld.id)
        told = {CONFIG_KEYS[column]: text for column, text in row.items()}
        job = load_weld_config(config, folders | told, source=str(job_sheet))
    if dry_run:
        from pipeline.plan import plan_weld

        plan = plan_weld(job)
        show(as_json, plan.as_dict(), plan.text())
        return

    from pipeline.outputs.page import render_page
    from pipeline.run import run_weld

    with ProgressLines(quiet) as progress:
        result = run_weld(
            job, report=render_page, progress=progress, threads=threads, replace_folder=replace
        )
    _end_with_strip(result, as_json)


def _end_with_strip(result: RunResult, as_json: bool) -> None:
    show_strip(result, as_json)
    if result.verdict == "fail":
        raise typer.Exit(_FAILED_VERDICT)


def _given(folders: dict[str, Path | None]) -> dict[str, object]:
    return {key: folder for key, folder in folders.items() if folder is not None}


def run(arguments: Sequence[str]) -> int:  # noqa: PLR0911 - one return an ending
    """Run one command; returns the exit code, having told about any fault.

    0 done; 3 done, but the quality log's verdict is fail; 2 the input or the call is wrong; 1 a
    fault of the tool; 130 interrupted.
    """
    as_json = "--json" in arguments
    command = typer.main.get_command(app)
    try:
        with command.make_context("girthstrip", list(arguments) or ["--help"]) as context:
            command.invoke(context)
    except typer.Exit as done:
        return done.exit_code
    except InputError as error:
        return tell(as_json, type(error).__name__, str(error), error.exit_code)
    except (KeyboardInterrupt, typer.Abort):
        return tell(as_json, "Interrupted", "stopped; nothing half-made is left", _INTERRUPTED)
    except Exception as error:
        if "KeyboardInterrupt" in str(error):  # a compiled library handed it on as its own
            return tell(as_json, "Interrupted", "stopped; nothing half-made is left", _INTERRUPTED)
        if hasattr(error, "format_message"):  # the call itself is wrong
            message = f"{error.format_message()} (see girthstrip --help)"
            return tell(as_json, "UsageError", message, InputError.exit_code)
        if "--debug" in arguments or os.environ.get("GIRTHSTRIP_DEBUG"):
            traceback.print_exc()
        message = (
            f"a fault of the tool, not of your input: {type(error).__name__}: {error}. "
            "The same command with --debug shows where it happened; please report it"
        )
        return tell(as_json, "InternalFault", message, 1)
    return 0


def main() -> None:
    """The entry point ``girthstrip``."""
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):  # names of files may hold anything
            stream.reconfigure(errors="backslashreplace")
    sys.exit(run(sys.argv[1:]))
