"""Plans and reprocessing as the tests call them, in this process."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

from pipeline.batch.entry import Entry
from pipeline.batch.index import Index
from pipeline.batch.names import STATE_FOLDER
from pipeline.batch.plan import BatchPlan, make_plan
from pipeline.batch.run import orders_of
from pipeline.batch.source import told_by
from pipeline.batch.task import Outcome, reprocess


def plan_of(
    root: Path, *, sheet: Path | None = None, library: Path | None = None, verify: bool = False
) -> BatchPlan:
    """The plan, with the index in the root."""
    with Index(root / STATE_FOLDER) as index:
        return make_plan(root, index, told_by(sheet, library), verify=verify)


def by_weld(plan: BatchPlan) -> Mapping[str, Entry]:
    """The plan's entries by weld."""
    return {one.weld: one for one in plan.entries}


def states(plan: BatchPlan) -> Mapping[str, str]:
    """The state of each weld."""
    return {one.weld: str(one.state) for one in plan.entries}


def reprocess_all(root: Path, *, new: bool = False) -> list[Outcome]:
    """What ``batch run`` does, without workers."""
    orders = orders_of(plan_of(root), told_by(None, None), threads=1, new=new)
    return [reprocess(order) for order in orders]
