"""A batch: every stale weld made anew on the workers, a few at a time, each told when it is done.

Nothing about progress is kept but the results themselves: what is there and fits the plan is done.
So whatever is killed, the next run goes on with what isn't there yet.
"""

from __future__ import annotations

import time
import uuid
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from itertools import islice
from pathlib import Path
from queue import Empty, SimpleQueue
from typing import Any, cast

from pipeline.batch.entry import Entry, State
from pipeline.batch.index import Index
from pipeline.batch.names import beside_text
from pipeline.batch.plan import BatchPlan
from pipeline.batch.source import Told
from pipeline.batch.task import Order, Outcome, note_made, reprocess
from pipeline.errors import InputError
from pipeline.io.file_lock import locked
from pipeline.io.folders import clear_stale_in

Progress = Callable[[str, int, int], None]

WHAT = "reprocessing welds"
_AHEAD = 2  # welds on their way for each worker: one worked on, one to go on with at once
_LOCK = "run.lock"
_TICK_S = 5.0
_WITHOUT_WORKERS_S = 60.0


@dataclass(frozen=True, slots=True)
class Ran:
    """What a run did: its outcomes in the order of their ends, and how long it took."""

    run: str
    outcomes: tuple[Outcome, ...]
    seconds: float
    workers: int

    def of(self, *kinds: str) -> Sequence[Outcome]:
        """The outcomes of these kinds."""
        return [one for one in self.outcomes if one.kind in kinds]


def orders_of(
    plan: BatchPlan, told: Told, *, threads: int, new: bool, only: frozenset[str] = frozenset()
) -> Sequence[Order]:
    """An order for each stale weld, with ``new`` also for those that were never stitched; of these
    only the welds named in ``only``, if any are.

    Raises:
        InputError: ``only`` names a weld that the plan doesn't have.
    """
    unknown = only - {one.weld for one in plan.entries}
    if unknown:
        raise InputError(f"has no weld {', '.join(sorted(unknown))}", where=str(plan.root))
    run = f"{time.strftime('%Y-%m-%dT%H:%M:%SZ', time.gmtime())} {uuid.uuid4().hex[:8]}"
    states = (State.STALE, State.NEW) if new else (State.STALE,)
    return [
        Order(
            weld=one.weld,
            result=one.result,
            folder=one.result if one.state is State.NEW else beside_text(one.result),
            source=one.source,
            told=_told_of(told, one),
            software=plan.software,
            obsolete=one.obsolete,
            threads=threads,
            run=run,
        )
        for one in plan.of(*states)
        if not only or one.weld in only
    ]


def note_waiting(plan: BatchPlan) -> Sequence[str]:
    """Have the audit logs know of new results that are there, whose workers were ended before they
    could write it down. Returns what went wrong with that."""
    notes = [
        note_made(one.result, Path(beside_text(one.result)), "an earlier run")
        for one in plan.of(State.REPROCESSED)
    ]
    return [note for note in notes if note]


@contextmanager
def one_at_a_time(folder: Path) -> Iterator[None]:
    """One run, or one ``accept``, on a root at a time.

    Raises:
        InputError: another process is at it.
    """
    folder.mkdir(parents=True, exist_ok=True)
    taken = InputError(
        "another girthstrip batch is at work here",
        where=str(folder.parent),
        remedy="Wait for it to end, or end it; what it has done stays done",
    )
    with locked(folder / _LOCK, taken):
        yield


def run_orders(
    client: Any, orders: Sequence[Order], index: Index, progress: Progress | None = None
) -> Ran:
    """Have the client's workers do the orders; a failed one is recorded and doesn't stop the rest.

    Raises:
        InputError: the scheduler went away.
    """
    progress = progress or (lambda *_: None)
    begin = time.monotonic()
    outcomes: list[Outcome] = []
    workers = max(1, len(client.scheduler_info()["workers"]))
    for outcome in _outcomes(client, orders, _AHEAD * workers):
        outcomes.append(outcome)
        if outcome.kind == "failed":
            index.put_failure(outcome.result, outcome.weld, outcome.reason, orders[0].run)
        else:
            index.drop_failure(outcome.result)
        progress(WHAT, len(outcomes), len(orders))
    run = orders[0].run if orders else ""
    return Ran(run, tuple(outcomes), time.monotonic() - begin, workers)


def clear_half_made(orders: Sequence[Order]) -> None:
    """Remove what workers that were ended left half-made, where a weld isn't there: for when no
    worker is at it any more."""
    for order in orders:
        folder = Path(order.folder)
        if not folder.exists() and folder.parent.is_dir():
            clear_stale_in(folder.parent)


def _outcomes(client: Any, orders: Sequence[Order], most: int) -> Iterator[Outcome]:
    """The outcomes as they come; at most so many welds are with the scheduler at once."""
    waiting = iter(orders)
    on_their_way: dict[str, Order] = {}
    ended: SimpleQueue[Any] = SimpleQueue()

    def send(count: int) -> None:
        for order in islice(waiting, count):
            future = client.submit(reprocess, order, pure=False)
            on_their_way[future.key] = order
            future.add_done_callback(ended.put)

    send(most)
    seen = time.monotonic()
    while on_their_way:
        try:
            future = ended.get(timeout=_TICK_S)
        except Empty:
            if client.status != "running":
                raise _gone("the scheduler") from None
            if client.scheduler_info()["workers"]:
                seen = time.monotonic()
            elif time.monotonic() - seen > _WITHOUT_WORKERS_S:
                raise _gone("every worker") from None
            continue
        seen = time.monotonic()
        yield _outcome(future, on_their_way.pop(future.key))
        future.release()
        send(1)


def _outcome(future: Any, order: Order) -> Outcome:
    """How a weld ended that the scheduler is done with."""
    from distributed import KilledWorker  # noqa: PLC0415 - slow

    if future.status == "finished":
        return cast(Outcome, future.result())
    if future.status != "error":
        raise _gone("the scheduler")
    error = future.exception()
    why = f"{error}"
    if isinstance(error, KilledWorker):
        why = (
            "the worker died each time that it worked on this weld, most likely because it took "
            "more memory than it may: run with fewer --workers, or more --memory"
        )
    return Outcome(order.result, order.weld, "failed", why)


def _gone(what: str) -> InputError:
    return InputError(
        f"{what} went away; what was done stays done",
        remedy="Call the same again, with a scheduler and workers that run: it goes on",
    )


def _told_of(told: Told, entry: Entry) -> Told:
    """The sheet's rows of this weld only: that is all that has to travel."""
    return replace(
        told,
        rows={key: row for key, row in told.rows.items() if " ".join(key).strip() == entry.weld},
    )
