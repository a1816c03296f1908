"""What frames ask of a calibration, and what is against one: every condition judged by itself.

A calibration must be of the same panel, gain mode, binning and size. Beyond that it should be
released, and hold for the frames' date, tube voltage, temperature and frame time. A condition that
the calibration or the frames leave open can't be judged, and isn't held against it.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum

import numpy as np

from pipeline.calibration.library import Entry, Status, first_moment, last_moment, moment
from pipeline.calibration.product import CalibrationFacts
from pipeline.model import FrameRow

FRAME_TIME_TOLERANCE = 0.02
"""Relative difference of frame times that counts as rounding (common practice, no published
source): the dark signal grows in proportion."""
RAMP_KV = 0.97
"""Frames below this part of the usual tube voltage were shot while the tube ramped up."""
_DAY_S = 86_400.0

Range = tuple[float, float]


class Condition(StrEnum):
    """What may be held against a calibration, and be allowed by the config all the same."""

    WITHDRAWN = "withdrawn"
    SUPERSEDED = "superseded"
    UNRELEASED = "unreleased"
    DATE = "date"
    KV = "kv"
    TEMPERATURE = "temperature"
    FRAME_TIME = "frame_time"


STATUS_CONDITIONS = frozenset({Condition.WITHDRAWN, Condition.SUPERSEDED, Condition.UNRELEASED})
"""Those that are about a decision, not about a range."""


@dataclass(frozen=True, slots=True)
class Wanted:
    """What the frames ask of a calibration; None where they don't tell.

    Ranges are the least and the greatest value of all frames; ``dates`` the first and the last.
    """

    serial: str
    gain_mode: str
    rows: int | None = None
    columns: int | None = None
    binning: str | None = None
    frame_time_s: Range | None = None
    kv: Range | None = None
    temperature_c: Range | None = None
    dates: tuple[datetime, datetime] | None = None

    def told(self) -> str:
        """The conditions in words: ``160 kV, 21.5 °C, 2 s a frame, 2026-03-02``."""
        parts = [
            f"{span_text(values)} {unit}"
            for values, unit in (
                (self.kv, "kV"),
                (self.temperature_c, "°C"),
                (self.frame_time_s, "s a frame"),
            )
            if values
        ]
        if self.dates:
            first, last = (f"{when:%Y-%m-%d}" for when in self.dates)
            parts.append(first if first == last else f"{first} to {last}")
        return ", ".join(parts) or "no conditions told"


@dataclass(frozen=True, slots=True)
class Misfit:
    """One condition that a calibration doesn't meet, in words."""

    condition: Condition
    text: str


@dataclass(frozen=True, slots=True)
class Candidate:
    """A calibration of the right panel and mode, judged.

    ``misfits`` are what is against it, ``unjudged`` the conditions that couldn't be judged, and
    ``days`` how far it lies from the frames in time (None where that isn't known).
    """

    entry: Entry
    misfits: tuple[Misfit, ...]
    unjudged: tuple[str, ...]
    days: float | None


def wanted_by_frames(
    rows: Sequence[FrameRow],
    *,
    serial: str,
    gain_mode: str,
    panel_rows: int,
    panel_columns: int,
    binning: str | None = None,
) -> Wanted:
    """What the frames of a table ask for; rows below 97 % of the usual kV count as ramp-up."""
    voltages = [row.kv for row in rows if row.kv]
    usual_kv = float(np.median(voltages)) if voltages else 0.0
    dates = sorted(found for row in rows if row.time and (found := _moment_or_none(row.time)))
    return Wanted(
        serial=serial,
        gain_mode=gain_mode,
        rows=panel_rows,
        columns=panel_columns,
        binning=binning,
        frame_time_s=_range([row.exposure_s for row in rows if row.exposure_s]),
        kv=_range([kv for kv in voltages if kv >= RAMP_KV * usual_kv]),
        temperature_c=_range([row.temperature_c for row in rows if row.temperature_c is not None]),
        dates=(dates[0], dates[-1]) if dates else None,
    )


def judge(entry: Entry, wanted: Wanted) -> Candidate:
    """What is against a calibration of the right panel and mode, and what can't be judged."""
    facts = entry.facts
    misfits = [*_status_misfits(entry, wanted), *_date_misfits(facts, wanted)]
    unjudged = list(_open_dates(facts, wanted))
    for condition, what, unit, asked, held in (
        (Condition.KV, "tube voltage", "kV", wanted.kv, (facts.kv_min, facts.kv_max)),
        (Condition.TEMPERATURE, "temperature", "°C", wanted.temperature_c, held_temperature(facts)),
        (Condition.FRAME_TIME, "frame time", "s", wanted.frame_time_s, held_frame_time(facts)),
    ):
        low, high = held
        if asked is None or (low is None and high is None):
            unjudged.append(what)
        elif (low is not None and asked[0] < low) or (high is not None and asked[1] > high):
            misfits.append(
                Misfit(
                    condition,
                    f"{what} of the frames {span_text(asked)} {unit}, "
                    f"the calibration's {_held(held, condition)} {unit}",
                )
            )
    return Candidate(entry, tuple(misfits), tuple(unjudged), _days(entry, wanted))


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
    darks = (facts.dark_conditions, *facts.dark_states)
    times = [facts.frame_time_s, *(state.frame_time_s for state in darks)]
    known = [value for value in times if value is not None]
    if not known:
        return None, None
    return min(known) * (1 - FRAME_TIME_TOLERANCE), max(known) * (1 + FRAME_TIME_TOLERANCE)


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
    if facts.valid_from is not None and first < first_moment(facts.valid_from):
        yield Misfit(
            Condition.DATE,
            f"the frames are of {first:%Y-%m-%d}, it holds from {facts.valid_from} on",
        )
    if facts.valid_until is not None and last > last_moment(facts.valid_until):
        yield Misfit(
            Condition.DATE, f"the frames are of {last:%Y-%m-%d}, it holds until {facts.valid_until}"
        )


def _open_dates(facts: CalibrationFacts, wanted: Wanted) -> Iterator[str]:
    if wanted.dates is None or (facts.valid_from is None and facts.valid_until is None):
        yield "date"
    elif facts.valid_from is None:
        yield "from when it holds"
    elif facts.valid_until is None:
        yield "until when it holds"


def _days(entry: Entry, wanted: Wanted) -> float | None:
    """How far the frames' middle lies from when the calibration was made; later is positive."""
    if wanted.dates is None or entry.made is None:
        return None
    first, last = wanted.dates
    return (first + (last - first) / 2 - entry.made).total_seconds() / _DAY_S


def span_text(values: Range) -> str:
    """A range as people say it: one number where both ends are the same."""
    low, high = values
    return f"{low:g}" if low == high else f"{low:g} to {high:g}"


def _held(held: tuple[float | None, float | None], condition: Condition) -> str:
    low, high = held
    if condition is Condition.FRAME_TIME and low is not None and high is not None:
        low, high = low / (1 - FRAME_TIME_TOLERANCE), high / (1 + FRAME_TIME_TOLERANCE)
    if low is None:
        return f"up to {high:g}"
    if high is None:
        return f"from {low:g}"
    return f"{low:.4g}" if math.isclose(low, high) else f"{low:.4g} to {high:.4g}"


def _range(values: Sequence[float]) -> Range | None:
    return (float(min(values)), float(max(values))) if values else None


def _moment_or_none(text: str) -> datetime | None:
    try:
        return moment(text)
    except ValueError:
        return None
