"""``girthstrip calibrate``: make a calibration, check it, compare two; and what the library does.

``girthstrip calibrate CONFIG`` makes one, as if that were all there is; a first word that names a
command of the group runs that instead. A config file of such a name is called as ``./check``.
"""

# ruff: noqa: PLC0415 - each command imports what it needs, so that --help doesn't wait for it

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from pipeline.commands.default_command import UsualCommand
from pipeline.commands.options import (
    FAILED_VERDICT,
    AcceptanceConfig,
    Config,
    Debug,
    Json,
    Quiet,
    Replace,
    given,
)
from pipeline.commands.releases import library_commands
from pipeline.terminal import ProgressLines, show

_MAKE = "make"
Folder = Annotated[Path, typer.Argument(metavar="FOLDER", help="Folder of a calibration.")]


class _MakesByDefault(UsualCommand):
    """``girthstrip calibrate CONFIG`` makes a calibration."""

    usual = _MAKE
    taken_for = "config file"


calibrate_commands = typer.Typer(
    cls=_MakesByDefault,
    name="calibrate",
    help="Make a calibration from dark and flat exposures; check, compare, release it.",
    no_args_is_help=False,
    rich_markup_mode=None,
)


@calibrate_commands.command(
    _MAKE, hidden=True, epilog="Example: girthstrip calibrate calibration.toml --out march"
)
def make(
    config: Config,
    exposures: Annotated[
        Path | None,
        typer.Option(
            "--exposures", metavar="FOLDER", help="Folder that holds the exposures' folders."
        ),
    ] = None,
    out: Annotated[
        Path | None, typer.Option("--out", metavar="FOLDER", help="New calibration folder.")
    ] = None,
    replace: Replace = False,
    quiet: Quiet = False,
    as_json: Json = False,
    debug: Debug = False,
) -> None:
    """Make a calibration from dark and flat exposures."""
    from pipeline.calibrate import run_calibrate
    from pipeline.calibration.acceptance import remarks
    from pipeline.config.calibrate import load_calibrate_config
    from pipeline.io.folders import require_outside

    job = load_calibrate_config(config, given({"output.folder": out}), exposures)
    require_outside(job.output.folder)  # said now, not after all the reading
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


@calibrate_commands.command(
    epilog="Example: girthstrip calibrate check calibration --library panel-library --out check"
)
def check(
    folder: Folder,
    first: Annotated[
        Path | None,
        typer.Option(
            "--first",
            metavar="FOLDER",
            help="Folder of the panel's first calibration, to compare with.",
        ),
    ] = None,
    library: Annotated[
        Path | None,
        typer.Option(
            "--library", metavar="FOLDER", help="Library that has the panel's first calibration."
        ),
    ] = None,
    config: AcceptanceConfig = None,
    out: Annotated[
        Path | None,
        typer.Option(
            "--out",
            metavar="FOLDER",
            help="New folder for page and record; without it FOLDER-check beside the calibration, "
            "or here if that lies in a library.",
        ),
    ] = None,
    replace: Replace = False,
    quiet: Quiet = False,
    as_json: Json = False,
    debug: Debug = False,
) -> None:
    """Hold a calibration's figures against limits and the panel's first calibration.

    Ends with 3 where they fail.
    """
    from pipeline.assess import PAGE, acceptance_record, assess, write_assessment
    from pipeline.config.calibrate import load_calibrate_config
    from pipeline.outputs.calibration.page import reasons_told

    limits = None if config is None else load_calibrate_config(config).acceptance
    assessed = assess(folder, first=first, library=library, limits=limits)
    target = _beside(folder, "check") if out is None else out
    write_assessment(target, assessed, replace=replace)
    record = acceptance_record(assessed)
    against = "nothing: no earlier calibration" if assessed.first is None else record["first"]
    lines = [
        f"calibration {folder}",
        f"compared    with {against}",
        f"page        {target / PAGE}",
        f"verdict     {record['verdict']}",
        *(f"  {one.mark:9} {one.title}: {one.text}" for one in reasons_told(assessed.acceptance)),
        *(f"note        {remark}" for remark in assessed.acceptance.remarks),
    ]
    show(as_json, record | {"folder": str(target)}, "\n".join(lines))
    if record["verdict"] == "fail":
        raise typer.Exit(FAILED_VERDICT)


@calibrate_commands.command(
    epilog="Example: girthstrip calibrate compare march april --out march-april"
)
def compare(
    first: Annotated[Path, typer.Argument(metavar="A", help="Folder of a calibration.")],
    second: Annotated[Path, typer.Argument(metavar="B", help="Folder of a later one.")],
    out: Annotated[
        Path | None,
        typer.Option(
            "--out",
            metavar="FOLDER",
            help="New folder for picture and record; without it ./A-B, or if both are called "
            "alike, by the folders they lie in.",
        ),
    ] = None,
    replace: Replace = False,
    quiet: Quiet = False,
    as_json: Json = False,
    debug: Debug = False,
) -> None:
    """Show what changed between two calibrations, and what that does to strips."""
    from pipeline.assess import COMPARISON, PICTURE, compare_folders

    target = _of_both(first, second) if out is None else out
    record = compare_folders(first, second, target, replace=replace)
    pixels = record["bad_pixels"]
    lines = [
        f"picture     {target / PICTURE}",
        f"record      {target / COMPARISON}",
        f"bad pixels  {pixels['before']}, then {pixels['after']}: "
        f"{pixels['come']} new, {pixels['gone']} good again",
        f"strips      {record['summary']}",
        *(f"note        {remark}" for remark in record["remarks"]),
    ]
    show(as_json, record | {"folder": str(target)}, "\n".join(lines))


def _beside(folder: Path, what: str) -> Path:
    """The usual place for what belongs to a calibration; here if nothing may stand beside it."""
    from pipeline.io.calibration_library import is_library

    if folder.name in ("", ".."):  # as . and .. are
        folder = folder.resolve()
    name = f"{folder.name}-{what}"
    return Path(name) if is_library(folder.absolute().parent) else folder.with_name(name)


def _of_both(first: Path, second: Path) -> Path:
    """The usual place for a comparison: both names, or those of their folders if they are alike."""
    one, other = first.resolve(), second.resolve()
    if one.name == other.name:
        one, other = one.parent, other.parent
    return Path(f"{one.name}-{other.name}")


library_commands(calibrate_commands)
