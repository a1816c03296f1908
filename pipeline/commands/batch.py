"""``girthstrip batch …``: which strips are stale, made anew, compared, accepted; settings tried."""

# ruff: noqa: PLC0415 - each command imports what it needs, so that --help doesn't wait for it

from __future__ import annotations

import os
from typing import Annotated

import typer

from pipeline.commands.batch_compare import compare
from pipeline.commands.batch_state import (
    IndexFolder,
    Library,
    Root,
    Sheet,
    Welds,
    require_complete,
    state_folder,
)
from pipeline.commands.batch_sweep import sweep
from pipeline.commands.options import FAILED_VERDICT, Debug, Json, Quiet
from pipeline.errors import InputError
from pipeline.terminal import ProgressLines, show

batch_commands = typer.Typer(
    name="batch",
    help="Make many strips anew after a change: plan, run, compare, accept; try settings.",
    no_args_is_help=True,
)

Verify = Annotated[
    bool,
    typer.Option(
        "--verify", help="Read and hash every raw file, not only those that look changed."
    ),
]


@batch_commands.command(epilog="Example: girthstrip batch plan welds --library panels")
def plan(
    root: Root,
    library: Library = None,
    job_sheet: Sheet = None,
    index: IndexFolder = None,
    verify: Verify = False,
    list_all: Annotated[
        bool, typer.Option("--all", help="List every weld that isn't current, not only some.")
    ] = False,
    quiet: Quiet = False,
    as_json: Json = False,
    debug: Debug = False,
) -> None:
    """Say which strips are current, which aren't and why, and what making them anew takes."""
    from pipeline.batch.index import Index
    from pipeline.batch.plan import make_plan
    from pipeline.batch.source import told_by
    from pipeline.commands.batch_told import plan_record, plan_text

    require_complete(root)
    with Index(index or state_folder(root)) as opened, ProgressLines(quiet) as progress:
        found = make_plan(
            root, opened, told_by(job_sheet, library), verify=verify, progress=progress
        )
        failures = opened.failures()
    cores = len(os.sched_getaffinity(0))
    text = plan_text(found, failures, cores, list_all=list_all)
    show(as_json, plan_record(found, failures, cores), text)


@batch_commands.command(epilog="Example: girthstrip batch run welds --library panels")
def run(
    root: Root,
    library: Library = None,
    job_sheet: Sheet = None,
    index: IndexFolder = None,
    verify: Verify = False,
    welds: Welds = None,
    new: Annotated[
        bool, typer.Option("--new", help="Also welds whose config has no result yet.")
    ] = False,
    scheduler: Annotated[
        str | None,
        typer.Option(
            "--scheduler",
            metavar="ADDRESS",
            help="A Dask scheduler that is running, such as tcp://127.0.0.1:8786; without it "
            "workers of this machine.",
        ),
    ] = None,
    workers: Annotated[
        int | None,
        typer.Option("--workers", metavar="N", min=1, help="Workers of this machine."),
    ] = None,
    threads: Annotated[
        int | None,
        typer.Option("--threads", metavar="N", min=1, help="Threads of each worker."),
    ] = None,
    memory: Annotated[
        float | None,
        typer.Option(
            "--memory",
            metavar="GB",
            min=0.1,
            help="What each worker of this machine may take at most; it is ended beyond that.",
        ),
    ] = None,
    quiet: Quiet = False,
    as_json: Json = False,
    debug: Debug = False,
) -> None:
    """Make every stale strip anew, beside the old one; goes on where an earlier run was cut off.

    Ends with 3 if a weld couldn't be done, or a config is faulty.
    """
    from pipeline.batch.index import Index
    from pipeline.batch.plan import make_plan
    from pipeline.batch.run import (
        Ran,
        clear_half_made,
        note_waiting,
        one_at_a_time,
        orders_of,
        run_orders,
    )
    from pipeline.batch.source import told_by
    from pipeline.batch.workers import local_team, local_workers, workers_at
    from pipeline.commands.batch_progress import BatchProgress
    from pipeline.commands.batch_told import ran_record, ran_text

    told = told_by(job_sheet, library)
    with one_at_a_time(state_folder(root)), Index(index or state_folder(root)) as opened:
        require_complete(root)
        with ProgressLines(quiet) as progress:
            found = make_plan(root, opened, told, verify=verify, progress=progress)
        opened.save()
        notes = note_waiting(found)
        largest = max((one.peak_bytes for one in found.entries), default=0)
        limit = None if memory is None else int(memory * 1e9)
        team = local_team(largest, workers=workers, threads=threads, memory_bytes=limit)
        each = team.threads if scheduler is None else threads or 1
        orders = orders_of(found, told, threads=each, new=new, only=frozenset(welds or ()))
        done = Ran("", (), 0.0, 0)
        if orders:
            at_work = local_workers(team) if scheduler is None else workers_at(scheduler)
            try:
                with at_work as client, BatchProgress(quiet) as shown:
                    done = run_orders(client, orders, opened, shown)
            finally:
                if scheduler is None:  # elsewhere a worker may still be at it
                    clear_half_made(orders)
    show(as_json, ran_record(found, done, notes), ran_text(found, done, notes, root))
    if done.of("failed") or found.problems:
        raise typer.Exit(FAILED_VERDICT)


@batch_commands.command(epilog="Example: girthstrip batch accept welds")
def accept(
    root: Root,
    library: Library = None,
    job_sheet: Sheet = None,
    index: IndexFolder = None,
    welds: Welds = None,
    quiet: Quiet = False,
    as_json: Json = False,
    debug: Debug = False,
) -> None:
    """Have the new results take the place of the old ones, which are kept beside them.

    Called again after an interruption it completes what was begun.
    """
    from pipeline.batch.accept import accept as take
    from pipeline.batch.accept import complete
    from pipeline.batch.entry import State
    from pipeline.batch.index import Index
    from pipeline.batch.plan import make_plan
    from pipeline.batch.run import note_waiting, one_at_a_time
    from pipeline.batch.source import told_by
    from pipeline.commands.batch_told import accepted_record, accepted_text

    state = state_folder(root)
    with one_at_a_time(state), ProgressLines(quiet) as progress:
        before = complete(state, progress)
        with Index(index or state) as opened:
            found = make_plan(root, opened, told_by(job_sheet, library), progress=progress)
            notes = note_waiting(found)
            chosen = found.of(State.REPROCESSED)
            if welds:
                missing = set(welds) - {one.weld for one in chosen} - {one.weld for one in before}
                if missing:
                    raise InputError(
                        f"there is no new result of {', '.join(sorted(missing))} to accept",
                        where=str(root),
                        remedy="girthstrip batch plan shows the welds and their states",
                    )
                chosen = [one for one in chosen if one.weld in welds]
            done = take(state, chosen, len(os.sched_getaffinity(0)), progress)
    accepted = [*before, *done]
    show(as_json, accepted_record(accepted, notes), accepted_text(accepted, notes))


batch_commands.command(epilog="Example: girthstrip batch compare welds --out changes")(compare)
batch_commands.command(
    epilog="Example: girthstrip batch sweep weld.toml --vary stages.registration.patch_px=64,128"
)(sweep)
