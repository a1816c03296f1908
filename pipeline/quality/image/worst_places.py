"""Of measures at several places the one that a strip's check tells: the worst."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

from pipeline.model import Verdict
from pipeline.quality.asked.judge import Figure
from pipeline.quality.asked.requirement import (
    AREA,
    DISTANCE,
    SNR_N,
    SR_B,
    UG,
    UNSHARPNESS,
    WIRE,
    WIRE_POSITIONS,
    Requirement,
    Requirements,
)
from pipeline.quality.check import Check
from pipeline.quality.image.measure_records import QualityMeasure

Judged = tuple[Figure, QualityMeasure, Check]


def worst_of_each(judged: Sequence[Judged], known_asked: Requirements) -> tuple[Check, ...]:
    """One check an id, from the place with the worst verdict, of equals the least sure margin.

    A gauge that could not be read is worse than one that was. Geometry is checked only if asked.
    """
    order = (SNR_N, SR_B, UNSHARPNESS, WIRE, WIRE_POSITIONS, DISTANCE, UG, AREA)
    checks = []
    for check_id in order:
        same = [one for one in judged if one[0].id == check_id]
        if not same or (check_id.startswith("geometry") and same[0][2].limit is None):
            continue
        asked = known_asked.of(check_id)
        figure, _, check = min(same, key=lambda one: rank(one, asked))
        if len(same) > 1 and figure.s_mm is not None:
            where = f"the worst of {len(same)} places, at {figure.s_mm:.0f} mm"
            check = replace(check, note=f"{where}; {check.note}")
        checks.append(check)
    return tuple(checks)


def rank(judged: Judged, asked: Requirement | None) -> tuple[float, ...]:
    """Worst first: by verdict, what wasn't measured, the margin that is sure, the margin (where
    nothing is asked the value), and how clearly it was read."""
    figure, measure, check = judged
    verdict = (Verdict.FAIL, Verdict.ATTENTION, Verdict.PASS).index(check.verdict)
    if measure.value is None:
        return (verdict, 0)
    margin = -measure.value if measure.margin is None else measure.margin
    sure = margin - 2 * (measure.sigma or 0.0)
    if figure.doubt and figure.surely is None:
        sure = -math.inf
    elif figure.doubt and figure.surely is not None:
        surely = -figure.surely if asked is None else asked.margin(figure.surely)
        sure = min(sure, surely)
    clarity = math.inf if figure.clarity is None else figure.clarity
    return verdict, 1, sure, margin, clarity
