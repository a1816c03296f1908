"""The checks that say what was held against a strip's calibration and let pass all the same."""

from __future__ import annotations

import math

from pipeline.calibration.conditions import STATUS_CONDITIONS
from pipeline.calibration.lookup import Choice
from pipeline.quality.check import BASIS_PRACTICE, Check, at_most, report_only

_STAGE = "calibration"


def calibration_checks(choice: Choice) -> tuple[Check, ...]:
    """Conditions out of range, decisions against it, and conditions that nobody could judge.

    Only a config that allows it gets as far as here with one of the first two, so they ask for
    attention and never fail. Conditions that couldn't be judged are only reported, unless other
    calibrations of the library might be the right one and differ in one that the frames don't
    tell: then it was chosen by what nobody said, and that asks for attention.
    """
    decided = [one for one in choice.permitted if one.condition in STATUS_CONDITIONS]
    ranges = [one for one in choice.permitted if one.condition not in STATUS_CONDITIONS]
    return (
        _counted("calibration.out_of_range", [misfit.text for misfit in ranges]),
        _counted("calibration.not_released", [misfit.text for misfit in decided]),
        _not_judged(choice),
    )


def _not_judged(choice: Choice) -> Check:
    check_id, texts = "calibration.not_judged", list(choice.unjudged)
    if choice.undecided:
        differ = f"others that might be right differ in: {', '.join(choice.undecided)}"
        return _counted(check_id, [*texts, differ], len(texts))
    return report_only(
        check_id,
        len(texts),
        stage=_STAGE,
        unit=_unit(len(texts)),
        basis=BASIS_PRACTICE,
        note="; ".join(texts),
    )


def _counted(check_id: str, texts: list[str], count: int | None = None) -> Check:
    count = len(texts) if count is None else count
    return at_most(
        check_id,
        count,
        0,
        stage=_STAGE,
        unit=_unit(count),
        basis=BASIS_PRACTICE,
        note="; ".join(texts),
        fail_factor=math.inf,
    )


def _unit(count: int) -> str:
    return "condition" if count == 1 else "conditions"
