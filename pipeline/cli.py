"""The commands: parse, call, print. Results go to stdout, progress and messages to stderr."""

# ruff: noqa: PLC0415 - each command imports what it needs, so that --help doesn't wait for it

from __future__ import annotations

import io
import os
import shlex
import signal
import sys
import traceback
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from pipeline import __version__
from pipeline.commands.archive import archive_commands
from pipeline.commands.audit import audit
from pipeline.commands.calibrate import calibrate_commands
from pipeline.commands.check_sheet import check_sheet
from pipeline.commands.export import export
from pipeline.commands.logged import logged
from pipeline.commands.measure import measure
from pipeline.commands.options import FAILED_VERDICT, Config, Debug, Json, Quiet, Replace, given
from pipeline.commands.other_group import HintsAtGroups
from pipeline.commands.send import send_commands
from pipeline.errors import InputError
from pipeline.terminal import ProgressLines, show, show_strip, tell

if TYPE_CHECKING:
    from pipeline.run import RunResult

_INTERRUPTED = 130
_CLEANING_UP_S = 30
_STOPPED = "stopped; nothing half-made is left"

app = typer.Typer(
    cls=HintsAtGroups,
    name="girthstrip",
    help="Raw frames of a digital X-ray panel carried round a girth weld, made into one "
    "calibrated strip and its quality log.",
    epilog="Begin with: girthstrip demo",
    add_completion=False,
    rich_markup_mode=None,
    context_settings={"help_option_names": ["-h", "--help"]},
    pretty_exceptions_enable=False,
)


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
    _end_with_strip(result, as_json)


@app.command(epilog="Example: girthstrip simulate small scan --seed 7")
def simulate(
    preset: Annotated[
        str,
        typer.Argument(
            metavar="PRESET",
            help="Ready scan: small, two_wall, arc, ring24, hard24, tilted24 or continuous24; or "
            "panel: every kind of calibration exposure of one panel, without a scan.",
        ),
    ],
    out: Annotated[Path, typer.Argument(metavar="OUT", help="New folder for the scan.")],
    seed: Annotated[
        int, typer.Option("--seed", metavar="N", min=0, help="Other seeds, other scans.")
    ] = 1,
    fault: Annotated[
        list[str] | None,
        typer.Option(
            "--fault",
            metavar="FAULT",
            help="Something that goes wrong with the panel's exposures: dust, object, light_leak, "
            "afterglow or roll_off; may be repeated.",
        ),
    ] = None,
    quiet: Quiet = False,
    as_json: Json = False,
    debug: Debug = False,
) -> None:
    """Make a scan of an invented weld, and its truth."""
    from pipeline.simulation.panel_plan import PANEL, PanelPlan, get_faults
    from pipeline.simulation.presets import get_preset
    from pipeline.simulation.write import write_scan

    faults = get_faults(fault or [], preset)
    if preset == PANEL:
        from pipeline.simulation.panel_write import write_panel

        with ProgressLines(quiet) as progress:
            folder = write_panel(PanelPlan(), out, seed=seed, faults=faults, progress=progress)
        config = folder / "calibrate.toml"
        show(
            as_json,
            {
                "folder": str(folder),
                "preset": PANEL,
                "seed": seed,
                "faults": list(faults),
                "calibrate_config": str(config),
            },
            f"exposures   {folder}"
            + "".join(f"\nfault       {one}: {one.about}" for one in faults)
            + f"\nnext        girthstrip calibrate {shlex.quote(str(config))}",
        )
        return
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
        f"next        girthstrip calibrate {shlex.quote(str(calibrate_config))}\n"
        f"then        girthstrip stitch {shlex.quote(str(stitch_config))}",
    )


app.add_typer(calibrate_commands)
archive_commands.command("audit", epilog="Example: girthstrip archive audit welds --out audit")(
    audit
)
app.add_typer(archive_commands)
app.add_typer(send_commands)
app.command(epilog="Example: girthstrip measure result")(measure)
app.command("check-sheet", epilog="Example: girthstrip check-sheet job.csv --config weld.toml")(
    check_sheet
)
app.command(epilog="Example: girthstrip export result dicom --compress jpeg-ls")(export)


@app.command(epilog="Example: girthstrip stitch weld.toml --calibration calibration-march")
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
    _end_with_strip(result, as_json, replaced)


def _end_with_strip(result: RunResult, as_json: bool, replaced: Sequence[str] = ()) -> None:
    logged(result.folder, "stitch", verdict=str(result.verdict))
    show_strip(result, as_json, replaced)
    if result.verdict == "fail":
        raise typer.Exit(FAILED_VERDICT)


class _Signals:
    """Ctrl-C, a closed terminal and a polite kill, all as an interrupt that cleans up.

    The interrupt may come out of a library's innermost as an exception of its own; that one had
    come is then still known.
    """

    def __init__(self) -> None:
        self.came = False

    def install(self) -> None:
        """From now on the three end the command with ``_INTERRUPTED``."""
        for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
            if signal.getsignal(number) is not signal.SIG_IGN:  # as under nohup
                signal.signal(number, self._interrupt)

    def _interrupt(self, *_: object) -> None:
        self.came = True
        # An interrupt at an unlucky moment can leave a library's lock taken for good. Then the
        # half-made folder stays, under a name that nobody takes for it, until the next run.
        signal.signal(signal.SIGALRM, _give_up)
        signal.alarm(_CLEANING_UP_S)
        raise KeyboardInterrupt


def _give_up(*_: object) -> None:
    os.write(2, b"girthstrip: stopped, without waiting longer for what hangs\n")
    os._exit(_INTERRUPTED)


_signals = _Signals()


def run(arguments: Sequence[str]) -> int:  # noqa: PLR0911 - one return an ending
    """Run one command; returns the exit code, having told about any fault.

    0 done; 3 done, but the quality log's verdict is fail; 2 the input or the call is wrong; 1 a
    fault of the tool; 130 interrupted.
    """
    as_json = "--json" in arguments
    words = ["--help" if word == "help" else word for word in arguments[:1]] + [*arguments[1:]]
    command = typer.main.get_command(app)
    try:
        with command.make_context("girthstrip", words or ["--help"]) as context:
            command.invoke(context)
    except typer.Exit as done:
        return done.exit_code
    except InputError as error:
        return tell(as_json, type(error).__name__, str(error), error.exit_code)
    except (KeyboardInterrupt, typer.Abort):
        return tell(as_json, "Interrupted", _STOPPED, _INTERRUPTED)
    except Exception as error:
        if _signals.came or "KeyboardInterrupt" in str(error):
            return tell(as_json, "Interrupted", _STOPPED, _INTERRUPTED)
        if hasattr(error, "format_message"):  # the call itself is wrong
            asked = getattr(getattr(error, "ctx", None), "command_path", "girthstrip")
            message = f"{error.format_message()} (see {asked.strip()} --help)"
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
    _signals.install()
    sys.exit(run(sys.argv[1:]))
