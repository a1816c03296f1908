"""The worst gauge, a focal spot that was told too large, and the pairs that are missing."""

from __future__ import annotations

import pytest

from pipeline.quality.asked.compensation import SharpnessRule
from pipeline.quality.asked.exposure_geometry import ExposureGeometry
from pipeline.quality.asked.judge import Figure, judge
from pipeline.quality.asked.known import Known
from pipeline.quality.asked.requirement import WIRE, Bound, Requirement
from pipeline.quality.gauges.duplex_iqi import DuplexReading
from pipeline.quality.gauges.iqi_plans import IqiPlan
from pipeline.quality.gauges.iqis import IqiRead
from pipeline.quality.image.shot_figures import spot_remarks
from pipeline.quality.image.worst_places import rank
from tests.quality.profiles import iso

# f = 50 mm to the inner side, wall 6 mm, panel 10 mm off: in the outer surface's plane b = 10,
# f = 56, so a spot d makes d · 10/56 at the panel, over M = 66/56 there: d · 10/66.
EXPOSURE = ExposureGeometry(50.0, 16.0, 6.0, 2.0)


def remarks(sr_b_mm: float) -> list[str]:
    plan = IqiPlan("duplex", 20.0, 0.0)
    read = IqiRead(plan, "", (0, 1), (0, 1), duplex=DuplexReading(sr_b_mm, "", 0.001))
    return spot_remarks([read], Known(iso(), exposure=EXPOSURE))


def test_a_spot_that_alone_blurs_more_than_the_picture_was_told_wrong() -> None:
    """2 · 10/66 = 0.303 mm alone: SR_b of 0.14 mm is 0.28 mm in all, 0.16 mm is 0.32 mm."""
    (said,) = remarks(0.14)
    assert "0.28 mm, but a focal spot of 2 mm alone would make 0.303 mm" in said
    assert "told wrong" in said
    assert remarks(0.16) == []


@pytest.mark.parametrize(
    ("missing", "pair", "words"),
    [(1, "D11", "1 pair (D12) is"), (3, "D9", "3 pairs (D10, D11, D12) are")],
)
def test_as_many_pairs_are_named_as_are_missing(missing: int, pair: str, words: str) -> None:
    rule = SharpnessRule(missing, pair, 0.1, "W17", 0.08, 2, 3)
    assert rule.missing_text(iso()) == words


def test_the_worst_gauge_is_the_least_sure_one() -> None:
    """Of equal wires the one that is only just seen, then the one that is seen least clearly."""
    asked = Requirement(WIRE, Bound.MOST, 0.125, "mm", "a table")
    figures = [
        Figure(WIRE, 0.1, "mm", clarity=8.0),
        Figure(WIRE, 0.1, "mm", doubt="only just seen", surely=0.125, clarity=9.0),
        Figure(WIRE, 0.1, "mm", clarity=7.5),
        Figure(WIRE, 0.08, "mm", clarity=6.0),
    ]
    judged = [(one, *judge(one, asked)) for one in figures]
    assert {check.verdict for _, _, check in judged} == {"pass"}
    order = sorted(judged, key=lambda one: rank(one, asked))
    assert [figures.index(one[0]) for one in order] == [1, 2, 0, 3]
