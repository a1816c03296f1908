"""The commands: parse, call, print. Results go to stdout, progress and messages to stderr."""

from __future__ import annotations

import io
import os
import sys
import traceback
from collections.abc import Sequence
from typing import Annotated

import typer

from pipeline import __version__
from pipeline.commands.archive import archive_commands
from pipeline.commands.audit import audit
from pipeline.commands.batch import batch_commands
from pipeline.commands.calibrate import calibrate_commands
from pipeline.commands.check_sheet import check_sheet
from pipeline.commands.demo import demo
from pipeline.commands.export import export
from pipeline.commands.interrupts import INTERRUPTED, Signals
from pipeline.commands.measure import measure
from pipeline.commands.other_group import HintsAtGroups
from pipeline.commands.review import review
from pipeline.commands.send import send_commands
from pipeline.commands.simulate import simulate
from pipeline.commands.stitch import stitch
from pipeline.errors import InputError
from pipeline.io.compiled_cache import find_compiled_cache
from pipeline.terminal import tell

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


app.command(epilog="Example: girthstrip demo --out try-it")(demo)
app.command(epilog="Example: girthstrip simulate small scan --seed 7")(simulate)
app.add_typer(calibrate_commands)
app.command(epilog="Example: girthstrip stitch weld.toml --calibration calibration-march")(stitch)
app.command(epilog="Example: girthstrip measure result")(measure)
app.command(epilog="Example: girthstrip review welds")(review)
archive_commands.command("audit", epilog="Example: girthstrip archive audit welds --out audit")(
    audit
)
app.add_typer(archive_commands)
app.add_typer(send_commands)
app.add_typer(batch_commands)
app.command("check-sheet", epilog="Example: girthstrip check-sheet job.csv --config weld.toml")(
    check_sheet
)
app.command(epilog="Example: girthstrip export result dicom --compress jpeg-ls")(export)


_signals = Signals()


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
        return tell(as_json, "Interrupted", _STOPPED, INTERRUPTED)
    except Exception as error:
        if _signals.came or "KeyboardInterrupt" in str(error):
            return tell(as_json, "Interrupted", _STOPPED, INTERRUPTED)
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
    try:
        find_compiled_cache()
    except InputError as error:
        sys.exit(tell("--json" in sys.argv, type(error).__name__, str(error), error.exit_code))
    _signals.install()
    sys.exit(run(sys.argv[1:]))
