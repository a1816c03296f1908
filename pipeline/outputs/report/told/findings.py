"""What a report says first: the checks that a strip didn't pass, worst first, and where to look."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from pipeline.model import Verdict
from pipeline.outputs.drawing.words import clock_position, number
from pipeline.outputs.report.told.check_words import (
    CHECK_TITLES,
    WHAT_TO_DO,
    WHERE_NOT_READ,
    limit_text,
    value_text,
)
from pipeline.outputs.report.told.quality_rows import place_text
from pipeline.quality.log import Check, FrameRecord, QualityLog, Seam

_NAMES_SHOWN = 6
_GAPS_SHOWN = 4


@dataclass(frozen=True, slots=True)
class Finding:
    """A check that wasn't passed: in words, where it was found, and what to look at.

    Of a value that could not be measured ``where`` says why, of a calibration what is held against
    it: a withdrawal's date and reason must not have to be looked for.
    """

    check: Check
    title: str
    value: str
    limit: str
    where: str
    what_to_do: str


def findings(log: QualityLog) -> tuple[Finding, ...]:
    """The failed checks, then those that ask for attention, each in the log's order."""
    judged = [
        check
        for verdict in (Verdict.FAIL, Verdict.ATTENTION)
        for check in log.checks
        if check.verdict is verdict
    ]
    return tuple(
        Finding(
            check,
            CHECK_TITLES.get(check.id, check.id),
            value_text(check),
            "" if check.limit is None else limit_text(check),
            _why_missing(check) if check.value is None else _where(log, check),
            _what_to_do(log, check),
        )
        for check in judged
    )


def _why_missing(check: Check) -> str:
    """The part of the note that stands before the word that nothing was measured."""
    reason = check.note.partition("could not be measured")[0].rstrip("; ")
    return reason[:1].upper() + reason[1:]


def _what_to_do(log: QualityLog, check: Check) -> str:
    """What would mend it: of image quality what its measures say, which is told with a figure where
    one is known; of a gauge that wasn't read where to look for it."""
    own = [one for one in log.measures if one.id == check.id]
    remedies = dict.fromkeys(f"{one.remedy[:1].upper()}{one.remedy[1:]}." for one in own
                             if one.remedy)  # fmt: skip
    told = " ".join(remedies) or WHAT_TO_DO.get(check.id, "")
    unread = WHERE_NOT_READ.get(check.id) if any(one.value is None for one in own) else None
    return f"{told} {unread}" if unread else told


def _worst_place(log: QualityLog, check: Check) -> str:
    """Where the measure lies whose value the check has."""
    return next(
        (
            place_text(log, one)
            for one in log.measures
            if one.id == check.id and one.value == check.value
        ),
        "",
    )


def _where(log: QualityLog, check: Check) -> str:
    """Frames, places or decisions that a check is about; empty where the log names none."""
    group, _, name = check.id.partition(".")
    if group == "calibration":
        told = check.note.rpartition("; attention above")[0]
        return told[:1].upper() + told[1:]
    if group == "acquisition" or name == "wrong_place":
        return _frames_left_out(log, name)
    finders: dict[str, Callable[[QualityLog], str]] = {
        "coverage.gap_mm": _gaps,
        "seam.level_step": lambda log: _worst_seam(log, lambda seam: seam.level_step),
        "seam.doubling": lambda log: _worst_seam(log, lambda seam: seam.doubling),
        "seam.disagreement": _where_frames_disagree,
        "registration.position_sigma_mm": _least_sure_frame,
        "position.tape_mm": _worst_tick,
    }
    return finders[check.id](log) if check.id in finders else _worst_place(log, check)


def _frames_left_out(log: QualityLog, reason: str) -> str:
    names = [
        _name(log, frame)
        for frame in log.frames
        if not frame.used and frame.why_not.split(":")[0] == reason
    ]
    return _some(names, _NAMES_SHOWN)


def _gaps(log: QualityLog) -> str:
    def clock(s_mm: float) -> str:
        strip = log.strip
        return clock_position(
            s_mm, strip.circumference_mm, clockwise=strip.direction == "clockwise"
        )

    places = [
        f"{number(gap.from_mm, 1)} to {number(gap.to_mm, 1)} mm "
        f"(clock {clock(gap.from_mm)} to {clock(gap.to_mm)})"
        for gap in log.gaps
    ]
    return _some(places, _GAPS_SHOWN)


def _worst_seam(log: QualityLog, measure: Callable[[Seam], float | None]) -> str:
    worst = max(log.seams, key=lambda seam: abs(measure(seam) or 0.0), default=None)
    if worst is None:
        return ""
    left, right = (_name(log, log.frames[k]) for k in (worst.left, worst.right))
    return f"at {number(worst.s_mm, 0)} mm, where {left} meets {right}"


def _where_frames_disagree(log: QualityLog) -> str:
    worst = max(log.seams, key=lambda seam: seam.disagreement or 0.0, default=None)
    if worst is None or worst.disagreement_s_mm is None or worst.disagreement_z_mm is None:
        return ""
    s_mm, z_mm = worst.disagreement_s_mm, worst.disagreement_z_mm
    left, right = (_name(log, log.frames[k]) for k in (worst.left, worst.right))
    return (
        f"at {number(s_mm, 0)} mm, {number(z_mm, 0)} mm along the pipe, near where {left} meets "
        f"{right}"
    )


def _least_sure_frame(log: QualityLog) -> str:
    worst = max(log.frames, key=lambda frame: frame.sigma_mm or 0.0, default=None)
    if worst is None or worst.position_mm is None:
        return ""
    return f"{_name(log, worst)}, at {number(worst.position_mm, 0)} mm"


def _worst_tick(log: QualityLog) -> str:
    if log.tape is None:
        return ""
    worst = max(log.tape.ticks, key=lambda tick: abs(tick.deviation_mm))
    return f"tick {worst.number}, at {number(worst.s_mm, 1)} mm"


def _name(log: QualityLog, frame: FrameRecord) -> str:
    """The frame's file, and its page where the file holds several frames."""
    alone = sum(other.file == frame.file for other in log.frames) == 1
    return frame.file if alone else f"{frame.file} page {frame.page}"


def _some(names: list[str], shown: int) -> str:
    more = len(names) - shown
    return ", ".join(names[:shown]) + (f" and {more} more" if more > 0 else "")
