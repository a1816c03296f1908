"""What frames ask of a calibration, and what is against one: every condition judged by itself.

A calibration must be of the same panel, gain mode, binning and size. Beyond that it should be
released, and hold for the frames' date, tube voltage, temperature and frame time. A condition that
the calibration or the frames leave open can't be judged, and isn't held against it.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC

from pipeline.calibration.decisions import Entry, Status, first_moment, last_moment, moment
from pipeline.calibration.product import CalibrationFacts
from pipeline.calibration.wanted import Condition, Wanted, span_text

FRAME_TIME_TOLERANCE = 0.02
"""Relative difference of frame times that counts as rounding (common practice, no published
source): the dark signal grows in proportion."""
_DAY_S = 86_400.0

STATUS_CONDITIONS = frozenset({Condition.WITHDRAWN, Condition.SUPERSEDED, Condition.UNRELEASED})
"""Those that are about a decision, not about a range."""


@dataclass(frozen=True, slots=True)
class Misfit:
    """One condition that a calibration doesn't meet, in words."""

    condition: Condition
    text: str


@dataclass(frozen=True, slots=True)
class Candidate:
    """A calibration of the right panel and mode, judged.

    ``misfits`` are what is against it, ``unjudged`` the conditions that couldn't be judged and who
    doesn't tell them, ``days`` how long before the middle of the frames' time it begins to hold
    (None where that isn't known).
    """

    entry: Entry
    misfits: tuple[Misfit, ...]
    unjudged: tuple[str, ...]
    days: float | None


def judge(entry: Entry, wanted: Wanted) -> Candidate:
    """What is against a calibration of the right panel and mode, and what can't be judged."""
    facts = entry.facts
    misfits = [*_status_misfits(entry, wanted), *_date_misfits(facts, wanted)]
    unjudged = list(_open_dates(facts, wanted))
    if (facts.binning is None) != (wanted.binning is None):
        unjudged.append(_untold("binning", wanted.binning is not None, facts.binning is not None))
    for condition, what, unit, asked, held in (
        (Condition.KV, "tube voltage", "kV", wanted.kv, (facts.kv_min, facts.kv_max)),
        (Condition.TEMPERATURE, "temperature", "°C", wanted.temperature_c, held_temperature(facts)),
        (Condition.FRAME_TIME, "frame time", "s", wanted.frame_time_s, held_frame_time(facts)),
    ):
        low, high = held
        stated = low is not None or high is not None
        if asked is None or not stated:
            unjudged.append(_untold(what, asked is not None, stated))
            continue
        below = low is not None and asked[0] < low
        above = high is not None and asked[1] > high
        if below or above:
            ends = wanted.files.get(condition, ("", ""))
            names = [
                f"{value:g} {unit}: {name}"
                for value, name, out in zip(asked, ends, (below, above), strict=True)
                if out and name
            ]
            misfits.append(
                Misfit(
                    condition,
                    f"{what} of the frames {span_text(asked)} {unit}"
                    + (f" ({', '.join(names)})" if names else "")
                    + f", the calibration's {_held(held, condition)} {unit}",
                )
            )
    return Candidate(entry, tuple(misfits), tuple(unjudged), _days(entry, wanted))


def undecided(candidates: Sequence[Candidate], wanted: Wanted) -> tuple[str, ...]:
    """Conditions that the frames don't tell and in which these calibrations differ.

    Which of them is right then hangs on what nobody said. Empty for fewer than two.
    """
    facts = [one.entry.facts for one in candidates]
    return tuple(
        what
        for what, asked, held in (
            ("date", wanted.dates, {(one.valid_from, one.valid_until) for one in facts}),
            ("binning", wanted.binning, {one.binning for one in facts}),
            ("tube voltage", wanted.kv, {(one.kv_min, one.kv_max) for one in facts}),
            ("temperature", wanted.temperature_c, {held_temperature(one) for one in facts}),
            ("frame time", wanted.frame_time_s, {held_frame_time(one) for one in facts}),
        )
        if asked is None and len(held) > 1
    )


def held_temperature(facts: CalibrationFacts) -> tuple[float | None, float | None]:
    """The temperatures a calibration holds for: as stated, else from its coldest to warmest dark.

    A single dark says at which temperature it was shot, not how far that reaches.
    """
    if facts.temperature_min_c is not None or facts.temperature_max_c is not None:
        return facts.temperature_min_c, facts.temperature_max_c
    darks = (facts.dark_conditions, *facts.dark_states)
    known = {state.temperature_c for state in darks if state.temperature_c is not None}
    return (min(known), max(known)) if len(known) > 1 else (None, None)


def held_frame_time(facts: CalibrationFacts) -> tuple[float | None, float | None]:
    """The frame times a calibration holds for: its own and those of its darks, with tolerance."""
    low, high = frame_times_s(facts)
    if low is None or high is None:
        return None, None
    return low * (1 - FRAME_TIME_TOLERANCE), high * (1 + FRAME_TIME_TOLERANCE)


def frame_times_s(facts: CalibrationFacts) -> tuple[float | None, float | None]:
    """The shortest and the longest frame time that a calibration and its darks tell."""
    darks = (facts.dark_conditions, *facts.dark_states)
    times = [facts.frame_time_s, *(state.frame_time_s for state in darks)]
    known = [value for value in times if value is not None]
    return (min(known), max(known)) if known else (None, None)


def foreign(facts: CalibrationFacts, wanted: Wanted) -> str:
    """Why a calibration can't be of these frames at all, in words; "" if it can."""
    for name, ours, theirs in (
        ("serial", facts.serial, wanted.serial),
        ("gain mode", facts.gain_mode, wanted.gain_mode),
        ("binning", facts.binning, wanted.binning),
        ("rows", facts.rows, wanted.rows),
        ("columns", facts.columns, wanted.columns),
    ):
        must = name in ("serial", "gain mode")
        if ours != theirs and (must or (ours is not None and theirs is not None)):
            return f"{name} {ours or 'none'}"
    return ""


def _status_misfits(entry: Entry, wanted: Wanted) -> Iterator[Misfit]:
    if entry.status is None:
        yield Misfit(Condition.UNRELEASED, "it was never released")
        return
    last = entry.records[-1]
    why = f": {last.reason}" if last.reason else ""
    if entry.status is Status.WITHDRAWN:
        yield Misfit(
            Condition.WITHDRAWN, f"it was withdrawn on {last.when[:10]} by {last.who}{why}"
        )
    # What was shot before the successor came was rightly shot with this one.
    elif entry.status is Status.SUPERSEDED and not (
        wanted.dates and wanted.dates[1] < moment(last.when)
    ):
        successor = f" by {last.successor[:12]}" if last.successor else ""
        yield Misfit(Condition.SUPERSEDED, f"it was superseded{successor} on {last.when[:10]}{why}")


def _date_misfits(facts: CalibrationFacts, wanted: Wanted) -> Iterator[Misfit]:
    if wanted.dates is None:
        return
    first, last = wanted.dates
    names = ["", ""]
    if first.date() != last.date() and Condition.DATE in wanted.files:
        names = [f" ({name})" for name in wanted.files[Condition.DATE]]
    if facts.valid_from is not None and first < first_moment(facts.valid_from):
        yield Misfit(
            Condition.DATE,
            f"the frames are of {first:%Y-%m-%d}{names[0]}, it holds from {facts.valid_from} on",
        )
    if facts.valid_until is not None and last > last_moment(facts.valid_until):
        yield Misfit(
            Condition.DATE,
            f"the frames are of {last:%Y-%m-%d}{names[1]}, it holds until {facts.valid_until}",
        )


def _open_dates(facts: CalibrationFacts, wanted: Wanted) -> Iterator[str]:
    stated = facts.valid_from is not None or facts.valid_until is not None
    if wanted.dates is None or not stated:
        yield _untold("date", wanted.dates is not None, stated)
    elif facts.valid_from is None:
        yield _untold("from when it holds", True, False)
    elif facts.valid_until is None:
        yield _untold("until when it holds", True, False)


def _untold(what: str, by_frames: bool, by_calibration: bool) -> str:
    """A condition that can't be judged, and who would have to tell it."""
    if by_frames:
        return f"{what} (the calibration doesn't tell)"
    who = "the frames don't tell" if by_calibration else "neither tells"
    return f"{what} ({who})"


def _days(entry: Entry, wanted: Wanted) -> float | None:
    """How far the frames' middle lies from when the calibration began to hold; later is positive.

    Both in days; a date alone begins at midnight.
    """
    if wanted.dates is None or entry.made is None:
        return None
    first, last = wanted.dates
    return (first + (last - first) / 2 - entry.made).total_seconds() / _DAY_S


def days_between(entry: Entry, wanted: Wanted) -> int | None:
    """As ``Candidate.days``, but from one day of the calendar (UTC) to the other."""
    if wanted.dates is None or entry.made is None:
        return None
    first, last = (when.astimezone(UTC) for when in wanted.dates)
    return ((first + (last - first) / 2).date() - entry.made.astimezone(UTC).date()).days


def _held(held: tuple[float | None, float | None], condition: Condition) -> str:
    low, high = held
    if condition is Condition.FRAME_TIME and low is not None and high is not None:
        low, high = low / (1 - FRAME_TIME_TOLERANCE), high / (1 + FRAME_TIME_TOLERANCE)
    if low is None:
        return f"up to {high:g}"
    if high is None:
        return f"from {low:g}"
    return f"{low:.4g}" if math.isclose(low, high) else f"{low:.4g} to {high:.4g}"
