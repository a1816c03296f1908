"""Where things lie on the strip as it was written: a ring repeats past its circumference."""

from __future__ import annotations

from pipeline.quality.log import Gap, QualityLog


def strip_ends_mm(log: QualityLog) -> tuple[float, float]:
    """The outer edges of the first and the last column, mm from the datum."""
    strip = log.strip
    start_mm = strip.s_first_mm - 0.5 * strip.pitch_mm
    return start_mm, start_mm + strip.columns * strip.pitch_mm


def first_place(log: QualityLog, s_mm: float) -> float:
    """Where a place lies on the first turn; on a strip that is no ring, the place itself."""
    return s_mm % log.strip.circumference_mm if log.strip.ring else s_mm


def frame_place(log: QualityLog, position_mm: float, slack_mm: float) -> float:
    """Where a plot along the strip shows a frame that was taken at ``position_mm``.

    At its position where the strip shows it, or not farther than ``slack_mm`` before the strip's
    start: a frame at the datum is often solved to lie a hair before it, and belongs to the start
    of the scan. Otherwise on the first turn.
    """
    start_mm, end_mm = strip_ends_mm(log)
    shown = start_mm - slack_mm <= position_mm < end_mm
    return position_mm if shown else first_place(log, position_mm)


def all_places(log: QualityLog, s_mm: float) -> list[float]:
    """Every place where the strip shows what lies at ``s_mm``, in order; none when it doesn't."""
    start_mm, end_mm = strip_ends_mm(log)
    places = (first_place(log, s_mm) + turn for turn in turns_mm(log))
    return [place for place in places if start_mm <= place < end_mm]


def shown_gaps(log: QualityLog) -> list[Gap]:
    """The gaps as the strip shows them: cut at its ends, and again where the ring repeats."""
    start_mm, end_mm = strip_ends_mm(log)
    gaps = (
        Gap(max(gap.from_mm + turn, start_mm), min(gap.to_mm + turn, end_mm))
        for turn in turns_mm(log)
        for gap in log.gaps
    )
    return [gap for gap in gaps if gap.to_mm > gap.from_mm]


def turns_mm(log: QualityLog) -> tuple[float, ...]:
    """By how much a place can be shown off where it was told: a turn to both sides of a ring."""
    turn_mm = log.strip.circumference_mm
    return (-turn_mm, 0.0, turn_mm) if log.strip.ring else (0.0,)
