"""What a batch's plan, run and acceptance say, to people and to programs."""

from __future__ import annotations

import shlex
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from pipeline.batch.accept import Accepted
from pipeline.batch.entry import Entry, State
from pipeline.batch.plan import BatchPlan
from pipeline.batch.run import Ran
from pipeline.batch.task import Outcome
from pipeline.commands.batch_progress import duration

_SHOWN = 12
_WORDS = {
    State.CURRENT: "nothing to do",
    State.STALE: "to be made anew",
    State.REPROCESSED: "made anew, to be compared and accepted",
    State.NEW: "never stitched; batch run --new does",
    State.BLOCKED: "can't be made anew",
    State.QUESTION: "a person has to tell something first",
}


def plan_text(
    plan: BatchPlan, failures: Mapping[str, str], cores: int, *, list_all: bool = False
) -> str:
    """The plan for people: counts, what it takes, then why, weld by weld."""
    counted = plan.count()
    lines = [
        f"{state:12}{count:6}  {_WORDS[state]}"
        for state, count in counted.items()
        if count or state in (State.CURRENT, State.STALE)
    ]
    lines.append(f"cost        {_cost_text(plan, cores)}")
    told = [one for one in plan.entries if one.state is not State.CURRENT]
    shown = told if list_all else told[:_SHOWN]
    lines += [
        f"  {one.state:12}{one.weld or one.result}: {'; '.join(one.reasons)}" for one in shown
    ]
    if len(told) > len(shown):
        lines.append(f"  and {len(told) - len(shown)} more (--all lists them)")
    lines += [f"problem     {problem}" for problem in plan.problems]
    failed = [one for one in plan.of(State.STALE, State.NEW) if one.result in failures]
    lines += [f"failed      {one.weld}: {failures[one.result]}" for one in failed]
    return "\n".join(lines)


def plan_record(plan: BatchPlan, failures: Mapping[str, str], cores: int) -> dict[str, Any]:
    """The plan for programs."""
    stale = plan.of(State.STALE)
    pixels = sum(one.raw_pixels for one in stale)
    rate = plan.throughput
    return {
        "schema": "girthstrip.batch_plan/1",
        "root": str(plan.root),
        "count": {str(state): count for state, count in plan.count().items()},
        "cost": {
            "welds": len(stale),
            "raw_pixels": pixels,
            "core_s_per_mpx": None if rate is None else rate.core_s_per_mpx,
            "measured": 0 if rate is None else rate.measured,
            "cores": cores,
            "seconds": None if rate is None else 3600 * rate.hours(pixels, cores),
        },
        "welds": [
            {
                "weld": one.weld,
                "result": one.result,
                "config": one.source.config,
                "state": str(one.state),
                "reasons": list(one.reasons),
                "calibration": one.calibration,
                "failed": failures.get(one.result),
            }
            for one in plan.entries
        ],
        "problems": list(plan.problems),
        "software": dict(plan.software),
    }


def ran_text(plan: BatchPlan, ran: Ran, notes: Sequence[str], root: Path) -> str:
    """A run for people."""
    done, failed = ran.of("done", "already"), ran.of("failed")
    waiting = len(plan.of(State.REPROCESSED)) + len(done)
    lines = []
    if ran.outcomes:
        rate = 60 * len(ran.outcomes) / max(ran.seconds, 1e-9)
        lines.append(
            f"done        {len(done)} of {len(ran.outcomes)} welds in {duration(ran.seconds)}, "
            f"{rate:.3g} welds/min on {ran.workers} workers"
        )
    else:
        lines.append("done        nothing was to be done")
    lines += [f"failed      {one.weld or one.result}: {one.reason}" for one in failed]
    lines += [f"note        {note}" for note in (*notes, *_notes(ran.outcomes))]
    for state in (State.BLOCKED, State.QUESTION):
        lines += [f"{state:12}{one.weld}: {'; '.join(one.reasons)}" for one in plan.of(state)]
    lines += [f"problem     {problem}" for problem in plan.problems]
    if waiting:
        where = shlex.quote(str(root))
        lines.append(f"next        girthstrip batch compare {where} --out changes")
        lines.append(f"then        girthstrip batch accept {where}")
    return "\n".join(lines)


def ran_record(plan: BatchPlan, ran: Ran, notes: Sequence[str]) -> dict[str, Any]:
    """A run for programs."""
    return {
        "schema": "girthstrip.batch_run/1",
        "run": ran.run,
        "seconds": ran.seconds,
        "workers": ran.workers,
        "done": len(ran.of("done")),
        "already": len(ran.of("already")),
        "failed": [
            {"weld": one.weld, "result": one.result, "reason": one.reason}
            for one in ran.of("failed")
        ],
        "not_done": [
            {"weld": one.weld, "result": one.result, "state": str(one.state), "why": one.reasons}
            for one in plan.of(State.BLOCKED, State.QUESTION)
        ],
        "verdicts": {one.result: one.verdict for one in ran.of("done")},
        "notes": [*notes, *_notes(ran.outcomes)],
        "problems": list(plan.problems),
    }


def accepted_text(accepted: Sequence[Accepted], notes: Sequence[str]) -> str:
    """What was accepted, for people."""
    if not accepted:
        return "accepted    nothing: no new result waits"
    lines = [f"accepted    {len(accepted)} welds; the old results are kept beside the new ones"]
    lines += [f"  {one.weld}: {one.result}, before: {one.kept.name}" for one in accepted[:_SHOWN]]
    if len(accepted) > _SHOWN:
        lines.append(f"  and {len(accepted) - _SHOWN} more")
    lines += [f"note        {note}" for note in (*notes, *_notes(accepted))]
    return "\n".join(lines)


def accepted_record(accepted: Sequence[Accepted], notes: Sequence[str]) -> dict[str, Any]:
    """What was accepted, for programs."""
    return {
        "schema": "girthstrip.batch_accept/1",
        "accepted": [
            {"weld": one.weld, "result": str(one.result), "kept": str(one.kept)} for one in accepted
        ],
        "notes": [*notes, *_notes(accepted)],
    }


def _notes(done: Sequence[Outcome | Accepted]) -> Sequence[str]:
    return [f"{one.weld}: {one.note}" for one in done if one.note]


def _cost_text(plan: BatchPlan, cores: int) -> str:
    stale: Sequence[Entry] = plan.of(State.STALE)
    pixels, rate = sum(one.raw_pixels for one in stale), plan.throughput
    text = f"{len(stale)} welds, {pixels / 1e6:.4g} Mpx of raw frames"
    unknown = sum(not one.raw_pixels for one in stale)
    if unknown:
        text += f" ({unknown} welds don't tell theirs)"
    if rate is None:
        return f"{text}; no result tells how long that takes"
    most = "at most " if rate.at_most else ""
    seconds = 3600 * rate.hours(pixels, cores)
    return (
        f"{text}: {most}{duration(seconds)} on {cores} cores, by {rate.core_s_per_mpx:.3g} core-s "
        f"a Mpx, the median of {rate.measured} strips"
    )
