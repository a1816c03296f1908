"""A measure of image quality held against what is asked of it: its record and its check.

Met by more than twice its standard deviation passes, not met by more than that fails; between them,
and where a rule allows less under a condition, it asks for attention. The verdict is about the
picture: it never accepts or rejects a weld.
"""

from __future__ import annotations

from dataclasses import dataclass

from pipeline.model import Verdict
from pipeline.quality.asked.requirement import Bound, Requirement
from pipeline.quality.check import Check, bound_text, report_only
from pipeline.quality.image.measure_records import QualityMeasure

BASIS_NONE = "none"
"""The basis of a measure of which nothing is asked."""
STAGE = "quality"
_SURE = 2.0  # standard deviations


@dataclass(frozen=True, slots=True)
class Figure:
    """What was measured, how and where; ``value`` None: it couldn't be, and ``note`` says why.

    ``sigma`` None: not known, it then counts as exact. ``remedy`` is told where what is asked is
    not met, or not surely. ``doubt`` is why the value may be too good, ``surely`` what
    it is beyond doubt: what is asked must be met by that too. Without it a doubt never passes. By
    ``clarity``, larger is clearer, of places with equal values the worst is told.
    """

    id: str
    value: float | None
    unit: str
    sigma: float | None = None
    name: str = ""
    s_mm: float | None = None
    z_mm: float | None = None
    method: str = ""
    note: str = ""
    remedy: str = ""
    doubt: str = ""
    surely: float | None = None
    clarity: float | None = None


def judge(figure: Figure, asked: Requirement | None) -> tuple[QualityMeasure, Check]:
    """The figure's record and its check; without a requirement it is only reported."""
    if asked is None:
        check = report_only(
            figure.id,
            figure.value,
            stage=STAGE,
            unit=figure.unit,
            basis=BASIS_NONE,
            note=_joined(figure.note, figure.doubt, figure.method),
        )
        return _record(figure, None, None, ""), check
    margin = None if figure.value is None else asked.margin(figure.value)
    verdict = _verdict(figure, asked, margin)
    remedy = "" if verdict is Verdict.PASS or margin is None else figure.remedy
    ending = "could not be measured" if margin is None else _how_it_ends(figure, asked, margin)
    note = _joined(
        *((figure.note, ending) if margin is None else (ending, figure.note)),
        figure.doubt,
        f"asked: {asked.note}" if asked.note else "",
        f"to mend it: {remedy}" if remedy else "",
        figure.method,
        _bounds(figure, asked),
    )
    check = Check(
        figure.id, STAGE, figure.value, figure.unit, asked.value, verdict, asked.basis, note
    )
    return _record(figure, asked, margin, remedy), check


def _verdict(figure: Figure, asked: Requirement, margin: float | None) -> Verdict:
    if margin is None or figure.value is None:
        return Verdict.ATTENTION
    unsure = _SURE * (figure.sigma or 0.0)
    if margin >= unsure:
        sure = not figure.doubt or (
            figure.surely is not None and asked.margin(figure.surely) >= unsure
        )
        return Verdict.PASS if sure else Verdict.ATTENTION
    if margin >= -unsure:
        return Verdict.ATTENTION
    if asked.slack is not None:
        kept = figure.value - asked.slack
        if (kept if asked.bound is Bound.LEAST else -kept) >= 0:
            return Verdict.ATTENTION
    return Verdict.FAIL


def _how_it_ends(figure: Figure, asked: Requirement, margin: float) -> str:
    unit = f" {figure.unit}" if figure.unit else ""
    name = f" ({figure.name})" if figure.name else ""
    off = f"{bound_text(abs(margin))}{unit}"
    sigma = f", known to ± {figure.sigma:.2g}{unit}" if figure.sigma else ""
    if margin >= 0:
        return f"measured{name}: met by {off}{sigma}"
    return f"measured{name}: not met, off by {off}{sigma}"


def _bounds(figure: Figure, asked: Requirement) -> str:
    """The values at which the verdict changes."""
    sign = 1.0 if asked.bound is Bound.LEAST else -1.0
    unsure = _SURE * (figure.sigma or 0.0)
    least = asked.value - sign * unsure
    if asked.slack is not None:
        least = min(least, asked.slack) if asked.bound is Bound.LEAST else max(least, asked.slack)
    side = "below" if asked.bound is Bound.LEAST else "above"
    attention, fail = bound_text(asked.value + sign * unsure), bound_text(least)
    told = f"fail {side} {fail}"
    return told if attention == fail else f"attention {side} {attention}, {told}"


def _record(
    figure: Figure, asked: Requirement | None, margin: float | None, remedy: str
) -> QualityMeasure:
    return QualityMeasure(
        id=figure.id,
        value=figure.value,
        unit=figure.unit,
        sigma=figure.sigma,
        required=None if asked is None else asked.value,
        bound=None if asked is None else ("least" if asked.bound is Bound.LEAST else "most"),
        margin=margin,
        name=figure.name,
        s_mm=figure.s_mm,
        z_mm=figure.z_mm,
        basis=BASIS_NONE if asked is None else asked.basis,
        method=figure.method,
        note=_joined(figure.note, figure.doubt, "" if asked is None else asked.note),
        remedy=remedy,
    )


def _joined(*parts: str) -> str:
    return "; ".join(part for part in parts if part)
