"""``girthstrip archive``: keep a weld in several places; the group that holds what else is done.

``girthstrip archive WELD --to A --to B`` keeps one, as if that were all there is; a first word that
names a command of the group runs that instead.
"""

# ruff: noqa: PLC0415 - each command imports what it needs, so that --help doesn't wait for it

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from pipeline.commands.archive_checks import Copies, SameDevice, repair, restore, status, verify
from pipeline.commands.archive_told import archived_record, archived_text
from pipeline.commands.default_command import UsualCommand
from pipeline.commands.logged import logged
from pipeline.commands.options import Debug, Json, Quiet
from pipeline.errors import InputError
from pipeline.terminal import ProgressLines, show

_KEEP = "keep"


class _KeepsByDefault(UsualCommand):
    """``girthstrip archive WELD`` keeps a weld."""

    usual = _KEEP
    taken_for = "weld"


archive_commands = typer.Typer(
    cls=_KeepsByDefault,
    name="archive",
    help="Keep a weld in several places; verify, repair and restore the copies.",
    no_args_is_help=False,
    rich_markup_mode=None,
)


@archive_commands.command(
    _KEEP, hidden=True, epilog="Example: girthstrip archive result --to /mnt/a --to /mnt/b"
)
def keep(
    weld: Annotated[
        Path,
        typer.Argument(
            metavar="WELD",
            help="Result folder or config of a weld; or a bag, for one more copy of it.",
        ),
    ],
    to: Annotated[
        list[Path],
        typer.Option("--to", metavar="FOLDER", help="Where a copy goes; once for each copy."),
    ],
    copies: Copies = 2,
    same_device: SameDevice = False,
    job_sheet: Annotated[
        Path | None,
        typer.Option("--job-sheet", metavar="FILE", help="Job sheet of the shift, kept with it."),
    ] = None,
    more: Annotated[
        list[Path] | None,
        typer.Option(
            "--with", metavar="PATH", help="File or folder to be kept with it; may be repeated."
        ),
    ] = None,
    quiet: Quiet = False,
    as_json: Json = False,
    debug: Debug = False,
) -> None:
    """Copy all that a strip was made from and became, and read every copy back.

    Ends with 2 unless enough copies on disks of their own were proved.
    """
    from pipeline.outputs.archive.keep import archive_weld

    with ProgressLines(quiet) as progress:
        done = archive_weld(
            weld,
            to,
            wanted=copies,
            same_device=same_device,
            job_sheet=job_sheet,
            more=more or [],
            progress=progress,
        )
    if done.result is not None:
        logged(
            done.result,
            "archive",
            bag=done.name,
            identity=done.identity,
            archived=done.archived,
            copies={str(copy.bag.absolute()): copy.problem or "proved" for copy in done.copies},
        )
    show(as_json, archived_record(done), archived_text(done))
    if not done.archived or any(copy.problem for copy in done.copies):
        raise typer.Exit(InputError.exit_code)


for _command, _example in (
    (verify, "verify /mnt/a /mnt/b"),
    (repair, "repair /mnt/a/BAG --from /mnt/b/BAG"),
    (status, "status welds --to /mnt/a --to /mnt/b"),
    (restore, "restore /mnt/a/BAG --out restored"),
):
    archive_commands.command(epilog=f"Example: girthstrip archive {_example}")(_command)
