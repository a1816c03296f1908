"""``girthstrip archive verify | repair | status | restore``: what is done with copies."""

# ruff: noqa: PLC0415 - each command imports what it needs, so that --help doesn't wait for it

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from pipeline.commands.archive_told import (
    checked_lines,
    checked_record,
    compared_lines,
    differing,
    status_lines,
    status_record,
)
from pipeline.commands.options import FAILED_VERDICT, Debug, Json, Quiet
from pipeline.errors import InputError
from pipeline.terminal import ProgressLines, show

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


def _more_than_0(days: float | None) -> float | None:
    if days is not None and not days > 0:
        raise typer.BadParameter(f"{days:g} days is too few: no copy would count")
    return days


def verify(
    paths: Annotated[
        list[Path], typer.Argument(metavar="PATH", help="Bags, or folders that hold bags.")
    ],
    quiet: Quiet = False,
    as_json: Json = False,
    debug: Debug = False,
) -> None:
    """Read copies in full and name what is missing, extra or changed.

    Ends with 3 where something is, with 2 where something can't be read. What was found is noted
    beside each bag.
    """
    from pipeline.outputs.archive.copies import check_copy
    from pipeline.outputs.archive.fixity import note_fixity
    from pipeline.outputs.archive.places import find_bags

    found, notes = [], {}
    bags: dict[Path, None] = {}
    closed: list[InputError] = []
    for path in paths:
        try:
            bags |= dict.fromkeys(find_bags(path, closed))
        except InputError as error:
            closed.append(error)
    if not bags:
        raise closed[0]
    with ProgressLines(quiet) as progress:
        for number, bag in enumerate(bags, start=1):
            checked = check_copy(bag)
            notes[bag] = note_fixity(checked, "verified")
            found.append(checked)
            progress("verifying, bags", number, len(bags))
    differ = differing(found)
    lines = [line for one in found for line in checked_lines(one, notes[one.bag])]
    lines += [f"differ      {sentence}" for told in differ.values() for sentence in told]
    lines += [f"unread      {error}" for error in closed]
    record = {
        "bags": [checked_record(one) | {"note": notes[one.bag]} for one in found],
        "differ": sorted(differ),
        "differences": [sentence for told in differ.values() for sentence in told],
        "unread": [str(error) for error in closed],
    }
    show(as_json, record, "\n".join(lines))
    if differ or not all(one.sound or one.unread for one in found):
        raise typer.Exit(FAILED_VERDICT)
    if closed or any(one.unread for one in found):
        raise typer.Exit(InputError.exit_code)


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
    if not done.checked.sound:
        lines.append("not mended  no copy given with --from has this whole; name another one")
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
            "--max-age-days",
            metavar="DAYS",
            callback=_more_than_0,
            help="A copy read longer ago doesn't count; more than 0.",
        ),
    ] = None,
    quiet: Quiet = False,
    as_json: Json = False,
    debug: Debug = False,
) -> None:
    """Say of every weld whether it is archived, by the records of its copies.

    Reads no files in full: that is for verify. Ends with 3 where a weld isn't archived, with 2
    where a folder couldn't be looked into.
    """
    from datetime import UTC, datetime

    from pipeline.outputs.archive.bag_text import counted
    from pipeline.outputs.archive.status import archive_status

    found = archive_status(
        root,
        to or [],
        same_device=same_device,
        newest=datetime.now(UTC),
        max_age_days=max_age_days,
    )
    welds = found.welds
    lacking = sum(not weld.archived(copies) for weld in welds)
    lines = [line for weld in welds for line in status_lines(weld, copies)]
    lines.append(f"archived: {len(welds) - lacking} of {counted(len(welds), 'weld')}")
    lines += [f"unread      {error}" for error in found.closed]
    record = {
        "welds": [status_record(weld, copies) for weld in welds],
        "unread": [str(error) for error in found.closed],
    }
    show(as_json, record, "\n".join(lines))
    if found.closed:
        raise typer.Exit(InputError.exit_code)
    if lacking:
        raise typer.Exit(FAILED_VERDICT)


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
    from pipeline.commands.logged import logged
    from pipeline.config.weld import load_weld_config
    from pipeline.io.folders import require_free
    from pipeline.outputs.archive.check import check_bag
    from pipeline.outputs.archive.copies import require_sound
    from pipeline.outputs.archive.fixity import written_identity
    from pipeline.outputs.archive.places import require_bag
    from pipeline.outputs.archive.restore import compare, config_in
    from pipeline.outputs.report.page import begin_page
    from pipeline.run import run_weld

    require_bag(bag)
    require_free(out, replace=False, own_files=())
    require_sound(check_bag(bag, identity=written_identity(bag)))
    job = load_weld_config(config_in(bag), {"output.folder": out})
    with ProgressLines(quiet) as progress:
        run_weld(job, report=begin_page, progress=progress)
    found = compare(bag, out)
    logged(out, "restore", bag=bag.resolve().name, same=dict(found.same))
    record = {
        "folder": str(out),
        "same": dict(found.same),
        "software": list(found.software),
        "log": list(found.log),
    }
    show(as_json, record, f"restored    {out}\n" + "\n".join(compared_lines(found)))
    if not found.restored:
        raise typer.Exit(FAILED_VERDICT)
