"""What a library knows of its calibrations: facts, and a history of releases and withdrawals.

A calibration in a library never changes and is never deleted; what is thought of it does change,
and each change is a record of its own: when, who, why. The last record of a calibration is its
status.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from enum import StrEnum

from pipeline.calibration.product import CalibrationFacts
from pipeline.errors import CalibrationError

SHOWN_DIGITS = 12
"""So many hexadecimal digits of an identity are shown, and are enough to name a calibration."""
_LEAST_DIGITS = 6


class Status(StrEnum):
    """What was last decided about a calibration."""

    RELEASED = "released"
    SUPERSEDED = "superseded"
    WITHDRAWN = "withdrawn"


@dataclass(frozen=True, slots=True)
class StatusRecord:
    """One decision about one calibration.

    ``when`` is ISO 8601 with a zone, ``successor`` the identity of the calibration that takes
    over where ``status`` is superseded.
    """

    identity: str
    status: Status
    when: str
    who: str
    reason: str = ""
    successor: str | None = None


@dataclass(frozen=True, slots=True)
class Entry:
    """A calibration of a library: folder name, identity, facts, and its records, oldest first.

    Without any record it was put there but never released.
    """

    name: str
    identity: str
    facts: CalibrationFacts
    records: tuple[StatusRecord, ...] = ()

    @property
    def status(self) -> Status | None:
        """The last decision, None before the first."""
        return self.records[-1].status if self.records else None

    @property
    def made(self) -> datetime | None:
        """From when on it holds, or else when it was first released; None where neither is told."""
        if self.facts.valid_from is not None:
            return first_moment(self.facts.valid_from)
        return moment(self.records[0].when) if self.records else None


def moment(text: str) -> datetime:
    """The moment of an ISO 8601 text; without a zone it counts as UTC."""
    found = datetime.fromisoformat(text)
    return found if found.tzinfo else found.replace(tzinfo=UTC)


def first_moment(text: str) -> datetime:
    """The first moment that a date or a moment names: a date begins at midnight UTC."""
    return moment(text)


def last_moment(text: str) -> datetime:
    """The last moment that a date or a moment names: a date holds to the end of its day."""
    is_date = "T" not in text and " " not in text.strip()
    return moment(text) + (timedelta(days=1, microseconds=-1) if is_date else timedelta())


def by_identity(entries: Sequence[Entry], wanted: str) -> Entry:
    """The entry whose folder name is ``wanted``, or whose identity begins with it.

    A path counts by its last part, as ``release`` prints it.

    Raises:
        CalibrationError: there is none, the digits are too few, or fit several.
    """
    name = wanted.rstrip("/").rpartition("/")[2]
    named = [entry for entry in entries if entry.name == name]
    if named:
        return named[0]
    digits = name.lower()
    found = [entry for entry in entries if entry.identity.startswith(digits)]
    if len(found) == 1 and len(digits) >= _LEAST_DIGITS:
        return found[0]
    if found and len(digits) < _LEAST_DIGITS:
        what = f"{wanted!r} is too short to name a calibration"
    else:
        what = f"{wanted!r} names {f'{len(found)} calibrations' if found else 'no calibration'}"
    known = ", ".join(entry.name for entry in entries[-6:]) or "none"
    raise CalibrationError(
        f"{what} of the library",
        expected=f"the name of a folder, or at least {_LEAST_DIGITS} digits of an identity",
        remedy=f"The newest: {known}",
    )


def first_of_panel(entries: Sequence[Entry], facts: CalibrationFacts) -> Entry | None:
    """The panel's first calibration in the mode of ``facts``; None when there is none.

    Same serial, gain mode, binning and size. The first is the one that was made first; what is
    withdrawn or was never released doesn't count.
    """
    decided = (Status.RELEASED, Status.SUPERSEDED)
    same = history_of_panel(entries, facts)
    return next((entry for entry in same if entry.status in decided), None)


def history_of_panel(entries: Sequence[Entry], facts: CalibrationFacts) -> tuple[Entry, ...]:
    """All calibrations of the panel in the mode of ``facts``, in the order they were made."""
    same = [entry for entry in entries if same_mode(entry.facts, facts)]
    latest = datetime.max.replace(tzinfo=UTC)
    return tuple(sorted(same, key=lambda entry: (entry.made or latest, entry.identity)))


def same_mode(one: CalibrationFacts, other: CalibrationFacts) -> bool:
    """Whether two calibrations are of one panel in one mode: serial, gain, binning and size."""
    return _mode(one) == _mode(other)


def _mode(facts: CalibrationFacts) -> tuple[object, ...]:
    return facts.serial, facts.gain_mode, facts.binning, facts.rows, facts.columns


def next_record(
    entry: Entry, status: Status, *, when: str, who: str, reason: str, successor: str | None = None
) -> StatusRecord:
    """The record that gives a calibration a new status.

    Raises:
        CalibrationError: the step makes no sense or lacks its reason: a withdrawal without one, a
            second withdrawal, a release of what is released, a return without a reason, a
            succession of what isn't released, a day before that of its last decision.
    """
    now = entry.status
    fault = ""
    if not who.strip():
        fault = "nobody is named as the one who decides"
    elif status is now:
        fault = f"is {status} already, since {entry.records[-1].when}"
    elif status is Status.WITHDRAWN and not reason.strip():
        fault = "is to be withdrawn without a reason"
    elif status is Status.WITHDRAWN and now is None:
        fault = "was never released, so it can't be withdrawn"
    elif status is Status.RELEASED and now is not None and not reason.strip():
        fault = f"was {now} on {entry.records[-1].when} and comes back without a reason"
    elif status is Status.SUPERSEDED and now is not Status.RELEASED:
        fault = f"can't be superseded: it is {now or 'not released'}"
    elif now is not None and _day(when) < _day(entry.records[-1].when):
        # By the day: a date alone says no hour, and stands for the whole of its day.
        fault = f"was {now} on {entry.records[-1].when[:10]}, after {when[:10]}"
    if fault:
        raise CalibrationError(
            fault,
            where=entry.name,
            remedy="Say why with --reason and who with --by"
            if "without a reason" in fault or "nobody" in fault
            else "Look at its history with girthstrip calibrate list",
        )
    return StatusRecord(entry.identity, status, when, who, reason, successor)


def _day(when: str) -> date:
    return moment(when).astimezone(UTC).date()
