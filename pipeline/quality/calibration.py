"""The checks that say what was held against a strip's calibration and let pass all the same."""

from __future__ import annotations

import math

from pipeline.calibration.conditions import STATUS_CONDITIONS, Misfit
from pipeline.calibration.lookup import Choice
from pipeline.quality.check import BASIS_CONFIG, Check, at_most, report_only

_STAGE = "calibration"


def calibration_checks(choice: Choice) -> tuple[Check, ...]:
    """Conditions out of range, decisions against it, and conditions that nobody could judge.

    Only a config that allows it gets as far as here with one of the first two, so they ask for
    attention and never fail.
    """
    decided = [one for one in choice.permitted if one.condition in STATUS_CONDITIONS]
    ranges = [one for one in choice.permitted if one.condition not in STATUS_CONDITIONS]
    return (
        _permitted("calibration.out_of_range", ranges),
        _permitted("calibration.not_released", decided),
        report_only(
            "calibration.not_judged",
            len(choice.unjudged),
            stage=_STAGE,
            unit="conditions",
            basis=BASIS_CONFIG,
            note=", ".join(choice.unjudged),
        ),
    )


def _permitted(check_id: str, misfits: list[Misfit]) -> Check:
    return at_most(
        check_id,
        len(misfits),
        0,
        stage=_STAGE,
        unit="conditions",
        basis=BASIS_CONFIG,
        note="; ".join(misfit.text for misfit in misfits),
        fail_factor=math.inf,
    )
