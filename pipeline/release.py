"""Calibrations taken into a library, and decisions about those that are in one."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from pipeline.assess import Assessment, assess
from pipeline.calibration.library import Entry, Status, StatusRecord, by_identity, next_record
from pipeline.errors import CalibrationError
from pipeline.io.library_store import add_calibration, add_decision, is_library, read_library
from pipeline.model import Verdict
from pipeline.quality.acceptance_limits import AcceptanceLimits


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
    limits: AcceptanceLimits | None = None,
) -> Released:
    """Judge the calibration in ``folder``, copy it into the library and record its release.

    A verdict that isn't a pass is recorded with the reason. ``supersedes`` names a released
    calibration of the library that this one takes over from.

    Raises:
        CalibrationError: its figures fail (without ``despite_fail`` and a reason), or the decision
            makes no sense.
        OutputError: the library can't be written.
    """
    known = is_library(library)
    assessed = assess(folder, library=library if known else None, limits=limits)
    verdict, facts = assessed.acceptance.verdict, assessed.calibration.facts
    checks = ", ".join(check.id for check in assessed.acceptance.reasons)
    if verdict is Verdict.FAIL and not (despite_fail and decision.reason.strip()):
        raise CalibrationError(
            f"its figures fail ({checks})",
            where=str(folder),
            expected="figures within their limits",
            remedy="Look at the page that girthstrip calibrate check makes; to release it all the "
            "same give --despite-fail and a --reason",
        )
    identity = assessed.calibration.identity
    older: Entry | None = None
    if supersedes:
        older = by_identity(read_library(library).entries if known else (), supersedes)
        if older.identity == identity or older.facts.serial != facts.serial:
            raise CalibrationError(
                f"can't be superseded by {identity[:12]}: "
                + ("they are the same" if older.identity == identity else "other panels"),
                where=older.name,
                remedy="Name an older calibration of the same panel",
            )
        next_record(  # refused now, not when the new one has been released
            older, Status.SUPERSEDED, when=decision.when, who=decision.who, reason=decision.reason
        )
    judged = "" if verdict is Verdict.PASS else f"acceptance {verdict}: {checks}"
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
