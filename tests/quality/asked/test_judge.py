"""How measures of image quality are held against what is asked."""

from __future__ import annotations

import pytest

from pipeline.model import Verdict
from pipeline.quality.asked.judge import Figure, judge
from pipeline.quality.asked.requirement import Bound, Requirement
from pipeline.quality.image.measure_records import Series

LEAST = Requirement("noise.snr_n", Bound.LEAST, 140.0, "", "a standard (from memory)", note="B")
MOST = Requirement("sharpness.sr_b_mm", Bound.MOST, 0.1, "mm", "a standard", name="D10")


@pytest.mark.parametrize(
    ("value", "sigma", "verdict"),
    [
        (150.0, None, Verdict.PASS),
        (140.0, None, Verdict.PASS),
        (139.9, None, Verdict.FAIL),
        (150.0, 5.0, Verdict.PASS),
        (149.0, 5.0, Verdict.ATTENTION),
        (130.0, 5.0, Verdict.ATTENTION),
        (129.0, 5.0, Verdict.FAIL),
        (None, None, Verdict.ATTENTION),
    ],
)
def test_at_least(value: float | None, sigma: float | None, verdict: Verdict) -> None:
    measure, check = judge(Figure("noise.snr_n", value, "", sigma), LEAST)
    assert check.verdict is verdict
    assert (measure.required, measure.bound) == (140.0, "least")
    assert measure.margin == (None if value is None else pytest.approx(value - 140))


@pytest.mark.parametrize(
    ("value", "verdict"),
    [
        (0.095, Verdict.PASS),
        (0.099, Verdict.ATTENTION),
        (0.103, Verdict.ATTENTION),
        (0.105, Verdict.FAIL),
    ],
)
def test_at_most(value: float, verdict: Verdict) -> None:
    measure, check = judge(Figure("sharpness.sr_b_mm", value, "mm", 0.002), MOST)
    assert check.verdict is verdict
    assert measure.margin == pytest.approx(0.1 - value)
    assert check.note.endswith("attention above 0.096, fail above 0.104")


def test_words_say_how_it_ends_and_what_would_mend_it() -> None:
    figure = Figure("noise.snr_n", 120.0, "", 3.0, method="line by line", remedy="more frames")
    measure, check = judge(figure, LEAST)
    assert check.note == (
        "measured: not met, off by 20, known to ± 3; asked: B; to mend it: more frames; "
        "line by line; attention below 146, fail below 134"
    )
    assert measure.remedy == "more frames"
    assert judge(Figure("noise.snr_n", 200.0, "", remedy="more frames"), LEAST)[0].remedy == ""


def test_less_under_a_condition_asks_for_attention() -> None:
    slack = Requirement("geometry.source_distance_mm", Bound.LEAST, 360.0, "mm", "s", slack=180.0)
    verdicts = [
        judge(Figure("geometry.source_distance_mm", f, "mm"), slack)[1].verdict
        for f in (360.0, 359.0, 180.0, 179.0)
    ]
    assert verdicts == ["pass", "attention", "attention", "fail"]


def test_where_nothing_is_asked_it_is_only_reported() -> None:
    measure, check = judge(Figure("noise.snr_n", 12.0, "", 1.0), None)
    assert (measure.basis, measure.margin, measure.required) == ("none", None, None)
    assert (check.basis, check.verdict, check.limit) == ("none", "pass", None)
    assert judge(Figure("noise.snr_n", None, ""), None)[1].verdict is Verdict.PASS


def test_a_series_has_as_many_values_as_places() -> None:
    with pytest.raises(ValueError, match="differ in number"):
        Series("noise.snr_n", "", (1.0, 2.0), (3.0,), (0.1, 0.1))
