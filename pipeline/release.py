"""Calibrations taken into a library, and decisions about those that are in one."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from pipeline.assess import Assessment, assess
from pipeline.calibration.decisions import (
    Entry,
    Status,
    StatusRecord,
    by_identity,
    next_record,
    same_mode,
)
from pipeline.errors import CalibrationError
from pipeline.io.calibration_library import add_calibration, add_decision, is_library, read_library
from pipeline.model import Verdict
from pipeline.quality.acceptance_limits import AcceptanceLimits
from pipeline.quality.check import Check


@dataclass(frozen=True, slots=True)
class Decision:
    """When a decision is made (ISO 8601 with a zone), by whom and why."""

    when: str
    who: str
    reason: str = ""


@dataclass(frozen=True, slots=True)
class Released:
    """A calibration as it now stands in the library, how it was judged, and what it supersedes."""

    entry: Entry
    folder: Path
    assessed: Assessment
    superseded: Entry | None


def release(
    folder: Path,
    library: Path,
    decision: Decision,
    *,
    supersedes: str = "",
    despite_fail: bool = False,
    first: Path | None = None,
    limits: AcceptanceLimits | None = None,
) -> Released:
    """Judge the calibration in ``folder``, copy it into the library and record its release.

    A verdict that isn't a pass is recorded with the reason. ``supersedes`` names a released
    calibration of the library, of the same panel and mode, that this one takes over from.
    ``first`` is compared with instead of the panel's first in the library, as by ``assess``.

    Raises:
        CalibrationError: its figures fail (without ``despite_fail`` and a reason), or the decision
            makes no sense.
        OutputError: the library can't be written.
    """
    known = is_library(library)
    entries = read_library(library).entries if known else ()
    assessed = assess(folder, first=first, library=library if known else None, limits=limits)
    verdict, facts = assessed.acceptance.verdict, assessed.calibration.facts
    reasons, identity = assessed.acceptance.reasons, assessed.calibration.identity
    if verdict is Verdict.FAIL and not (despite_fail and decision.reason.strip()):
        raise CalibrationError(
            f"its figures fail ({_ids(one for one in reasons if one.verdict is Verdict.FAIL)})",
            where=str(folder),
            expected="figures within their limits",
            remedy="Give a --reason with --despite-fail"
            if despite_fail
            else "Look at the page that girthstrip calibrate check makes; to release it all the "
            "same give --despite-fail and a --reason",
        )
    older: Entry | None = None
    if supersedes:
        older = by_identity(entries, supersedes)
        fault = ""
        if older.identity == identity:
            fault = "they are the same"
        elif older.facts.serial != facts.serial:
            fault = "other panels"
        elif not same_mode(older.facts, facts):
            fault = "another size, gain mode or binning"
        if fault:
            raise CalibrationError(
                f"can't be superseded by {identity[:12]}: {fault}",
                where=older.name,
                remedy="Name an older calibration of the same panel in the same mode",
            )
        next_record(  # refused now, not when the new one has been released
            older, Status.SUPERSEDED, when=decision.when, who=decision.who, reason=decision.reason
        )
    for entry in entries:
        if entry.identity == identity:  # by the reason as given, before the verdict is added
            next_record(
                entry,
                Status.RELEASED,
                when=decision.when,
                who=decision.who,
                reason=decision.reason,
            )
    judged = "" if verdict is Verdict.PASS else f"acceptance {verdict}: {_ids(reasons)}"
    reason = "; ".join(part for part in (decision.reason, judged) if part)
    entry = add_calibration(
        library,
        folder,
        StatusRecord(identity, Status.RELEASED, decision.when, decision.who, reason),
    )
    if older is not None:
        older = add_decision(
            library,
            StatusRecord(
                older.identity,
                Status.SUPERSEDED,
                decision.when,
                decision.who,
                decision.reason,
                identity,
            ),
        )
    return Released(entry, library / entry.name, assessed, older)


def withdraw(library: Path, name: str, decision: Decision) -> Entry:
    """Record that a calibration must not be used any more; it stays where it is.

    Raises:
        CalibrationError: there is no such calibration, or no reason is given, or it is withdrawn
            already.
        OutputError: the library can't be written.
    """
    entry = by_identity(read_library(library).entries, name)
    return add_decision(
        library,
        StatusRecord(
            entry.identity, Status.WITHDRAWN, decision.when, decision.who, decision.reason
        ),
    )


def _ids(checks: Iterable[Check]) -> str:
    return ", ".join(check.id for check in checks)
