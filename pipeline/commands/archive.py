"""``girthstrip archive``: keep a weld in several places, prove, mend and restore it.

``girthstrip archive WELD --to A --to B`` keeps one, as if that were all there is; a first word that
names a command of the group runs that instead.
"""

# ruff: noqa: PLC0415 - each command imports what it needs, so that --help doesn't wait for it

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from pipeline.commands.archive_told import (
    archived_record,
    archived_text,
    checked_lines,
    checked_record,
    compared_lines,
    differing,
    status_lines,
    status_record,
)
from pipeline.commands.default_command import UsualCommand
from pipeline.commands.logged import logged
from pipeline.commands.options import FAILED_VERDICT, Debug, Json, Quiet
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

Bag = Annotated[Path, typer.Argument(metavar="BAG", help="Folder of a bag.")]
Copies = Annotated[
    int,
    typer.Option(
        "--copies", metavar="N", min=1, help="Copies that must be proved, each on its own disk."
    ),
]
SameDevice = Annotated[
    bool, typer.Option("--same-device", help="Copies on one disk count as independent too.")
]


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


@archive_commands.command(epilog="Example: girthstrip archive verify /mnt/a /mnt/b")
def verify(
    paths: Annotated[
        list[Path], typer.Argument(metavar="PATH", help="Bags, or folders that hold bags.")
    ],
    quiet: Quiet = False,
    as_json: Json = False,
    debug: Debug = False,
) -> None:
    """Read copies in full and name what is missing, extra or changed.

    Ends with 3 where something is. What was found is noted beside each bag.
    """
    from pipeline.outputs.archive.check import check_bag
    from pipeline.outputs.archive.fixity import note_fixity, written_identity
    from pipeline.outputs.archive.places import find_bags

    found, notes = [], {}
    with ProgressLines(quiet) as progress:
        bags = list(dict.fromkeys(bag for path in paths for bag in find_bags(path)))
        for number, bag in enumerate(bags, start=1):
            checked = check_bag(bag, identity=written_identity(bag))
            notes[bag] = note_fixity(checked, "verified")
            found.append(checked)
            progress("verifying, bags", number, len(bags))
    differ = differing(found)
    lines = [line for one in found for line in checked_lines(one, notes[one.bag])]
    lines += [f"differ      {name}: sound copies of this name differ" for name in differ]
    record = {
        "bags": [checked_record(one) | {"note": notes[one.bag]} for one in found],
        "differ": differ,
    }
    show(as_json, record, "\n".join(lines))
    if differ or not all(one.sound for one in found):
        raise typer.Exit(FAILED_VERDICT)


@archive_commands.command(epilog="Example: girthstrip archive repair /mnt/a/BAG --from /mnt/b/BAG")
def repair(
    bag: Bag,
    good: Annotated[
        list[Path],
        typer.Option("--from", metavar="BAG", help="Another copy of it; may be repeated."),
    ],
    quiet: Quiet = False,
    as_json: Json = False,
    debug: Debug = False,
) -> None:
    """Mend a damaged copy from others. What was wrong is moved aside, nothing is deleted.

    Ends with 3 where something couldn't be mended.
    """
    from pipeline.outputs.archive.repair import repair_bag

    done = repair_bag(bag, good)
    lines = [
        *(f"found       {fault}" for fault in done.found),
        *(f"mended      {sentence}" for sentence in done.done),
        *checked_lines(done.checked, done.note),
    ]
    record = {
        "found": [str(fault) for fault in done.found],
        "done": list(done.done),
        "aside": None if done.aside is None else str(done.aside),
        "note": done.note,
        **checked_record(done.checked),
    }
    show(as_json, record, "\n".join(lines))
    if not done.checked.sound:
        raise typer.Exit(FAILED_VERDICT)


@archive_commands.command(epilog="Example: girthstrip archive status welds --to /mnt/a --to /mnt/b")
def status(
    root: Annotated[
        Path, typer.Argument(metavar="ROOT", help="Folder of welds, or of an archive's bags.")
    ],
    to: Annotated[
        list[Path] | None,
        typer.Option("--to", metavar="FOLDER", help="Where copies are; may be repeated."),
    ] = None,
    copies: Copies = 2,
    same_device: SameDevice = False,
    max_age_days: Annotated[
        float | None,
        typer.Option(
            "--max-age-days", metavar="DAYS", min=0, help="A copy read longer ago doesn't count."
        ),
    ] = None,
    quiet: Quiet = False,
    as_json: Json = False,
    debug: Debug = False,
) -> None:
    """Say of every weld whether it is archived, by the records of its copies.

    Reads no files in full: that is for verify. Ends with 3 where a weld isn't archived.
    """
    from datetime import UTC, datetime

    from pipeline.outputs.archive.status import archive_status

    welds = archive_status(
        root,
        to or [],
        same_device=same_device,
        newest=datetime.now(UTC),
        max_age_days=max_age_days,
    )
    lacking = sum(not weld.archived(copies) for weld in welds)
    lines = [line for weld in welds for line in status_lines(weld, copies)]
    lines.append(f"{len(welds) - lacking} of {len(welds)} welds are archived")
    show(as_json, {"welds": [status_record(weld, copies) for weld in welds]}, "\n".join(lines))
    if lacking:
        raise typer.Exit(FAILED_VERDICT)


@archive_commands.command(epilog="Example: girthstrip archive restore /mnt/a/BAG --out restored")
def restore(
    bag: Bag,
    out: Annotated[
        Path, typer.Option("--out", metavar="FOLDER", help="New folder for the strip made again.")
    ],
    quiet: Quiet = False,
    as_json: Json = False,
    debug: Debug = False,
) -> None:
    """Make the strip again from a bag alone, and hold it against the one in the bag.

    Ends with 3 where strip, maps or positions aren't the same byte for byte.
    """
    from pipeline.config.weld import load_weld_config
    from pipeline.outputs.archive.check import check_bag
    from pipeline.outputs.archive.fixity import written_identity
    from pipeline.outputs.archive.restore import compare, config_in
    from pipeline.outputs.report.page import begin_page
    from pipeline.run import run_weld

    checked = check_bag(bag, identity=written_identity(bag))
    if not checked.sound:
        raise InputError(
            f"is damaged: {checked.faults[0]}",
            where=str(bag),
            remedy="girthstrip archive repair mends it from a good copy",
        )
    job = load_weld_config(config_in(bag), {"output.folder": out})
    with ProgressLines(quiet) as progress:
        run_weld(job, report=begin_page, progress=progress)
    found = compare(bag, out)
    record = {
        "folder": str(out),
        "same": dict(found.same),
        "software": list(found.software),
        "log": list(found.log),
    }
    show(as_json, record, f"restored    {out}\n" + "\n".join(compared_lines(found)))
    if not found.restored:
        raise typer.Exit(FAILED_VERDICT)
