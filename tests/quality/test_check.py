import math

import numpy as np
import pytest

from pipeline.model import Verdict
from pipeline.quality.check import at_least, at_most, report_only, worst

CONFIG = {"stage": "registration", "unit": "mm", "basis": "config"}


@pytest.mark.parametrize(
    ("value", "fail_factor", "verdict"),
    [
        (0.0, 3.0, Verdict.PASS),
        (0.2, 3.0, Verdict.PASS),  # the limit itself passes
        (math.nextafter(0.2, 1), 3.0, Verdict.ATTENTION),
        (0.6, 3.0, Verdict.ATTENTION),
        (0.61, 3.0, Verdict.FAIL),
        (0.29, 1.5, Verdict.ATTENTION),
        (0.31, 1.5, Verdict.FAIL),
        (0.21, 1.0, Verdict.FAIL),  # no room for attention
    ],
)
def test_at_most_judges_on_both_sides_of_both_bounds(value, fail_factor, verdict):
    check = at_most("registration.closure_mm", value, 0.2, fail_factor=fail_factor, **CONFIG)
    assert check.verdict is verdict
    assert (check.value, check.limit, check.basis) == (value, 0.2, "config")


@pytest.mark.parametrize(
    ("value", "verdict"),
    [(70, Verdict.PASS), (69.9, Verdict.ATTENTION), (35, Verdict.ATTENTION), (34.9, Verdict.FAIL)],
)
def test_at_least_mirrors_at_most(value, verdict):
    check = at_least("noise.snr_n", value, 70, fail_factor=2, stage="noise", unit="", basis="table")
    assert check.verdict is verdict
    assert check.note == "attention below 70, fail below 35"


def test_a_limit_of_zero_leaves_no_room_for_attention():
    assert at_most("coverage.gap_mm", 0, 0, **CONFIG).verdict is Verdict.PASS
    check = at_most("coverage.gap_mm", 0.1, 0, **CONFIG)
    assert check.verdict is Verdict.FAIL
    assert check.note == "fail above 0"


@pytest.mark.parametrize(
    ("judge", "value", "limit", "side"),
    [(at_most, 1e300, 0, "above 0"), (at_most, 9, 2, "above 2"), (at_least, -1e300, 2, "below 2")],
)
def test_an_infinite_fail_factor_asks_for_attention_but_never_fails(judge, value, limit, side):
    check = judge("a.b", value, limit, fail_factor=math.inf, **CONFIG)
    assert check.verdict is Verdict.ATTENTION
    assert check.note == f"attention {side}, never a failure"


@pytest.mark.parametrize("judge", [at_most, at_least])
@pytest.mark.parametrize("value", [None, math.nan, math.inf, -math.inf, np.float32("nan")])
def test_what_could_not_be_measured_asks_for_attention_and_says_so(judge, value):
    check = judge("noise.snr_n", value, 70, note="no plain region", **CONFIG)
    assert check.value is None
    assert check.verdict is Verdict.ATTENTION
    assert check.note.startswith("no plain region; could not be measured; ")


def test_a_reported_measure_has_no_limit_and_never_changes_the_verdict():
    check = report_only("acquisition.frames_used", 1e9, **CONFIG)
    assert (check.limit, check.verdict, check.note) == (None, Verdict.PASS, "")
    assert report_only("acquisition.frames_used", math.nan, **CONFIG).value is None


@pytest.mark.parametrize(
    ("value", "kind"),
    [(np.float32(0.5), float), (np.float64(0.5), float), (np.int64(3), int), (3, int)],
)
def test_numpy_numbers_become_plain_ones(value, kind):
    check = report_only("a.b", value, **CONFIG)
    assert type(check.value) is kind
    assert check.value == value


@pytest.mark.parametrize(
    "wrong",
    [
        {"limit": -1},
        {"limit": math.nan},
        {"limit": 1, "fail_factor": 0.9},
        {"limit": 1, "fail_factor": math.nan},
        {"limit": 1, "basis": ""},
    ],
)
def test_a_limit_that_makes_no_sense_is_refused(wrong):
    with pytest.raises(ValueError, match="must be ≥ 0"):
        at_most("a.b", 1, **{**CONFIG, **wrong})


def test_the_worst_verdict_wins_and_no_check_shows_nothing():
    assert worst([Verdict.PASS, Verdict.FAIL, Verdict.ATTENTION]) is Verdict.FAIL
    assert worst([Verdict.ATTENTION, Verdict.PASS]) is Verdict.ATTENTION
    assert worst([Verdict.PASS]) is Verdict.PASS
    assert worst([]) is Verdict.ATTENTION
