"""Which calibration the frames get: each condition by itself, the order among those that fit."""

from __future__ import annotations

import dataclasses
from typing import Any

import pytest

from pipeline.calibration.conditions import held_temperature, judge
from pipeline.calibration.decisions import Entry, Status, StatusRecord, moment
from pipeline.calibration.lookup import accept_named, choose
from pipeline.calibration.product import DarkConditions
from pipeline.calibration.wanted import Condition, Wanted, wanted_by_frames
from pipeline.errors import CalibrationError
from pipeline.model import FrameRow
from tests.calibration.ageing_panel import COLUMNS, ROWS, aged

# 100–180 kV, 10–30 °C, 2 s, valid 2026-01-05 to 2026-04-05
FACTS = aged(0).facts
DAY = moment("2026-02-01T10:00:00")


def entry(digit: str = "a", *statuses: Status, **facts: Any) -> Entry:
    identity = digit * 64
    records = [StatusRecord(identity, Status.RELEASED, "2026-01-06T08:00:00+00:00", "C")]
    records += [
        StatusRecord(identity, status, "2026-03-01T08:00:00+00:00", "C", "why", "b" * 64)
        for status in statuses
    ]
    return Entry(f"P_{digit}", identity, dataclasses.replace(FACTS, **facts), tuple(records))


def wanted(**told: Any) -> Wanted:
    usual: dict[str, Any] = {
        "rows": ROWS,
        "columns": COLUMNS,
        "frame_time_s": (2.0, 2.0),
        "kv": (160.0, 160.0),
        "temperature_c": (20.0, 22.0),
        "dates": (DAY, DAY),
    }
    return Wanted("TEST-1", "normal", **usual | told)


def against(one: Entry, asked: Wanted) -> list[str]:
    return [str(misfit.condition) for misfit in judge(one, asked).misfits]


def row(index: int, **values: Any) -> FrameRow:
    return FrameRow(index, f"f{index}.tif", 0, 0.0, **values)


def test_what_frames_ask_is_read_from_their_table_without_the_ramp() -> None:
    rows = [
        row(0, kv=96.0, time="2026-02-01T08:00:00", temperature_c=19.0, exposure_s=2.0),
        row(1, kv=158.0, time="rubbish", temperature_c=21.0, exposure_s=2.0),
        row(2, kv=160.0, time="2026-02-01T09:00:00", temperature_c=None, exposure_s=2.0),
        row(3, kv=160.0),
    ]
    asked = wanted_by_frames(
        rows, serial="P", gain_mode="", panel_rows=4, panel_columns=5, binning="1x1"
    )
    assert asked.kv == (158.0, 160.0)  # 96 kV is below 97 % of the median of 159
    assert asked.temperature_c == (19.0, 21.0)
    assert asked.frame_time_s == (2.0, 2.0)
    assert asked.dates == (moment("2026-02-01T08:00:00"), moment("2026-02-01T09:00:00"))
    assert asked.told() == "158 to 160 kV, 19 to 21 °C, 2 s a frame, 2026-02-01"
    bare = wanted_by_frames([row(0)], serial="P", gain_mode="", panel_rows=4, panel_columns=5)
    assert (bare.kv, bare.temperature_c, bare.frame_time_s, bare.dates) == (None,) * 4
    assert bare.told() == "no conditions told"


@pytest.mark.parametrize(
    ("told", "condition"),
    [
        ({"kv": (99.0, 160.0)}, "kv"),
        ({"kv": (160.0, 181.0)}, "kv"),
        ({"temperature_c": (9.0, 12.0)}, "temperature"),
        ({"temperature_c": (12.0, 31.0)}, "temperature"),
        ({"frame_time_s": (2.05, 2.05)}, "frame_time"),  # rounding counts up to 2 %
        ({"frame_time_s": (1.0, 2.0)}, "frame_time"),
        ({"dates": (moment("2026-01-04T23:59:00"), DAY)}, "date"),
        ({"dates": (DAY, moment("2026-04-06T00:00:00"))}, "date"),
    ],
)
def test_each_range_is_judged_by_itself(told: dict[str, Any], condition: str) -> None:
    assert against(entry(), wanted(**told)) == [condition]


@pytest.mark.parametrize(
    "told",
    [
        {"kv": (100.0, 180.0)},
        {"temperature_c": (10.0, 30.0)},
        {"frame_time_s": (1.97, 2.03)},
        {"dates": (moment("2026-01-05T00:00:00"), moment("2026-04-05T23:59:00"))},
    ],
)
def test_the_ends_of_a_range_belong_to_it(told: dict[str, Any]) -> None:
    assert against(entry(), wanted(**told)) == []


def test_one_open_end_is_open() -> None:
    warm = entry(temperature_max_c=None)
    assert against(warm, wanted(temperature_c=(40.0, 40.0))) == []
    assert against(warm, wanted(temperature_c=(5.0, 5.0))) == ["temperature"]


def test_darks_at_several_conditions_widen_the_range_unless_it_is_stated() -> None:
    shot = {
        "dark_conditions": DarkConditions(15.0, 2.0),
        "dark_states": (DarkConditions(5.0, 2.0), DarkConditions(25.0, 4.0)),
    }
    open_range = entry(temperature_min_c=None, temperature_max_c=None, **shot)
    assert held_temperature(open_range.facts) == (5.0, 25.0)
    assert against(open_range, wanted(temperature_c=(6.0, 24.0), frame_time_s=(3.0, 3.0))) == []
    beyond = wanted(temperature_c=(4.0, 4.0), frame_time_s=(5.0, 5.0))
    assert against(open_range, beyond) == ["temperature", "frame_time"]
    assert held_temperature(entry(**shot).facts) == (10.0, 30.0)
    alone = entry(
        temperature_min_c=None, temperature_max_c=None, dark_conditions=DarkConditions(15.0)
    )
    assert held_temperature(alone.facts) == (None, None)


def test_what_nobody_tells_is_not_held_against_it_but_named() -> None:
    blank = dict.fromkeys(
        (
            *("kv_min", "kv_max", "temperature_min_c", "temperature_max_c", "frame_time_s"),
            *("valid_from", "valid_until"),
        )
    )
    judged = judge(entry(**blank), wanted())
    assert judged.misfits == ()
    ours = "(the calibration doesn't tell)"
    assert judged.unjudged == tuple(
        f"{what} {ours}" for what in ("date", "tube voltage", "temperature", "frame time")
    )
    assert judge(entry(valid_until=None), wanted()).unjudged == (f"until when it holds {ours}",)
    assert judge(entry(valid_from=None), wanted()).unjudged == (f"from when it holds {ours}",)
    assert judge(entry(), wanted(kv=None, dates=None)).unjudged == (
        "date (the frames don't tell)",
        "tube voltage (the frames don't tell)",
    )
    nobody = wanted(kv=None, dates=None, temperature_c=None, frame_time_s=None)
    assert all(text.endswith("(neither tells)") for text in judge(entry(**blank), nobody).unjudged)


def test_a_decision_against_it_counts() -> None:
    assert against(entry("a", Status.WITHDRAWN), wanted()) == ["withdrawn"]
    never = dataclasses.replace(entry(), records=())
    assert against(never, wanted()) == ["unreleased"]


def test_superseded_is_right_for_what_was_shot_before() -> None:
    old = entry("a", Status.SUPERSEDED)  # on 2026-03-01
    assert against(old, wanted()) == []
    later = moment("2026-03-02T00:00:00")
    assert against(old, wanted(dates=(DAY, later))) == ["superseded"]
    assert against(old, wanted(dates=None)) == ["superseded"]


def test_the_nearest_in_date_is_chosen_and_the_choice_explained() -> None:
    known = [
        entry("a", valid_from="2026-01-05"),
        entry("b", valid_from="2026-01-25"),
        entry("c", Status.WITHDRAWN, valid_from="2026-01-30"),
        entry("d", valid_from="2026-01-31", serial="OTHER"),
    ]
    choice = choose(known, wanted())
    assert choice.entry.name == "P_b"
    assert choice.permitted == ()
    assert choice.reason == (
        "P_b, chosen of 3 of panel TEST-1 in this mode, for 160 kV, 20 to 22 °C, 2 s a frame, "
        "2026-02-01: valid from 7 days before the frames. Next: P_a, valid from 27 days before the "
        "frames. "
        "Not valid: P_c (it was withdrawn on 2026-03-01 by C: why)."
    )
    assert [one.entry.name for one in choice.others] == ["P_a", "P_c"]
    assert choose(known[::-1], wanted()).entry.name == "P_b"


def test_without_a_date_the_newest_is_chosen() -> None:
    known = [entry("a", valid_from="2026-01-05"), entry("b", valid_from="2026-01-25")]
    assert choose(known, wanted(dates=None)).entry.name == "P_b"


def test_one_that_states_its_range_comes_before_one_that_leaves_it_open() -> None:
    known = [
        entry("a", valid_from="2026-01-31", kv_min=None, kv_max=None),
        entry("b", valid_from="2026-01-10"),
    ]
    choice = choose(known, wanted())
    assert choice.entry.name == "P_b"
    assert (
        "Next: P_a, not judged there: tube voltage (the calibration doesn't tell)." in choice.reason
    )


def test_of_equal_age_the_middle_of_the_range_decides() -> None:
    cool, warm = entry("a", temperature_max_c=25.0), entry("b", temperature_max_c=40.0)
    assert choose([warm, cool], wanted(temperature_c=(17.0, 17.0))).entry.name == "P_a"
    assert choose([warm, cool], wanted(temperature_c=(25.0, 25.0))).entry.name == "P_b"
    low, high = entry("a", kv_max=170.0), entry("b", kv_min=140.0)
    assert choose([low, high], wanted(kv=(150.0, 150.0))).entry.name == "P_b"
    assert choose([low, high], wanted(kv=(140.0, 140.0))).entry.name == "P_a"


def test_allow_lets_pass_only_what_it_names_and_prefers_what_needs_no_permission() -> None:
    asked = wanted(kv=(190.0, 190.0))
    high = entry("b", kv_max=200.0)
    nearer = entry("a", valid_from="2026-01-30")
    choice = choose([nearer, high], asked, allow={Condition.KV})
    assert choice.entry.name == "P_b"
    choice = choose([entry()], asked, allow={Condition.KV})
    assert [misfit.condition for misfit in choice.permitted] == [Condition.KV]
    assert "Permitted by the config: tube voltage of the frames 190 kV" in choice.reason
    with pytest.raises(CalibrationError, match="the calibration's 100 to 180 kV"):
        choose([entry()], asked, allow={Condition.TEMPERATURE, Condition.WITHDRAWN})


@pytest.mark.parametrize(
    ("known", "said"),
    [
        ([], "the library has no calibration of panel TEST-1"),
        ([entry(serial="Q-7")], "expected one of Q-7"),
        ([entry(serial="test-1")], r"Did you mean test-1\? Capital and small letters count"),
        (
            [entry(gain_mode="high")],
            r"no calibration in the mode asked for .*\n  P_a: gain mode high",
        ),
        ([entry(rows=ROWS + 1)], "P_a: rows 97"),
        (
            [entry("a", Status.WITHDRAWN, kv_max=120.0)],
            r"one that does\. What .*\n  P_a: it was withdrawn on 2026-03-01 by C: why and tube",
        ),
    ],
)
def test_when_none_fits_the_reasons_are_told(known: list[Entry], said: str) -> None:
    with pytest.raises(CalibrationError, match=said):
        choose(known, wanted())


def test_binning_counts_where_both_tell_it() -> None:
    assert choose([entry(binning="2x2")], wanted()).entry.name == "P_a"
    with pytest.raises(CalibrationError, match=r"binning 1x1[\s\S]*binning 2x2"):
        choose([entry(binning="2x2")], wanted(binning="1x1"))


def test_a_named_calibration_must_suit_the_frames_too() -> None:
    asked = wanted(kv=(190.0, 190.0))
    with pytest.raises(CalibrationError, match=r'\[calibration\] allow = \["kv"\]'):
        accept_named(entry(), asked, in_library=False)
    choice = accept_named(entry(), asked, in_library=False, allow={Condition.KV})
    assert [misfit.condition for misfit in choice.permitted] == [Condition.KV]
    never = dataclasses.replace(entry(), records=())
    assert accept_named(never, wanted(), in_library=False).permitted == ()
    gone = entry("a", Status.WITHDRAWN)
    with pytest.raises(CalibrationError, match="withdrawn on 2026-03-01"):
        accept_named(gone, wanted(), in_library=True)


def test_what_may_be_allowed_is_told_for_the_nearest_and_never_for_a_withdrawn_one() -> None:
    asked = wanted(kv=(190.0, 190.0), frame_time_s=(2.5, 2.5))
    known = [
        entry("a", Status.WITHDRAWN, kv_max=200.0),
        entry("b", kv_max=200.0),
        entry("c"),
    ]
    with pytest.raises(CalibrationError) as told:
        choose(known, asked)
    first, *lines = str(told.value).splitlines()
    assert 'permit P_b in the config: [calibration] allow = ["frame_time"]. What' in first
    assert [line[:6] for line in lines] == ["  P_b:", "  P_a:", "  P_c:"]  # one misfit, two, two
    assert choose(known, asked, allow={Condition.FRAME_TIME}).entry.name == "P_b"  # as told
    with pytest.raises(CalibrationError) as told:
        choose(known[:1], asked)
    assert "allow" not in str(told.value)
    with pytest.raises(CalibrationError, match=r"Name one that is$"):
        accept_named(known[0], wanted(), in_library=True)


def test_a_calibration_that_tells_the_binning_comes_before_one_that_does_not() -> None:
    silent = entry("a", valid_from="2026-01-31")
    known = [silent, entry("b", binning="1x1")]
    choice = choose(known, wanted(binning="1x1"))
    assert choice.entry.name == "P_b"
    assert "not judged there: binning (the calibration doesn't tell)" in choice.reason
    assert choose([silent], wanted(binning="1x1")).unjudged == (
        "binning (the calibration doesn't tell)",
    )
    assert choose(known[1:], wanted()).unjudged == ("binning (the frames don't tell)",)


@pytest.mark.parametrize(
    ("missing", "other", "said"),
    [
        ("temperature_c", {"temperature_min_c": 25.0, "temperature_max_c": 40.0}, "temperature"),
        ("dates", {"valid_from": "2026-04-01", "valid_until": "2026-05-01"}, "date"),
        ("kv", {"kv_min": 60.0}, "tube voltage"),
        ("frame_time_s", {"frame_time_s": 1.0}, "frame time"),
    ],
)
def test_what_frames_do_not_tell_is_named_where_the_candidates_differ_in_it(
    missing: str, other: dict[str, Any], said: str
) -> None:
    known = [entry("a"), entry("b", **other)]
    choice = choose(known, wanted(**{missing: None}))
    assert choice.undecided == (said,)
    assert choice.reason.endswith(
        f"2 might be right and differ in what the frames don't tell: {said}."
    )
    assert choose(known[:1], wanted(**{missing: None})).undecided == ()
    assert choose([entry("a"), entry("b")], wanted(**{missing: None})).undecided == ()
    assert choose(known, wanted()).undecided == ()


def test_days_are_those_of_the_calendar() -> None:
    late = moment("2026-01-05T23:00:00")  # the day itself, 23 hours after its midnight
    assert (
        ": valid from the day of the frames."
        in choose([entry()], wanted(dates=(late, late))).reason
    )
    day = moment("2026-01-06T01:00:00")
    assert (
        ": valid from 1 day before the frames."
        in choose([entry()], wanted(dates=(day, day))).reason
    )
    undated = entry(valid_from=None, valid_until=None)  # released on 2026-01-06
    assert ": released 26 days before the frames." in choose([undated], wanted()).reason


def test_the_frame_that_is_out_of_range_is_named() -> None:
    rows = [
        row(0, temperature_c=20.0, time="2026-02-01"),
        row(1, temperature_c=60.0, time="2026-02-01"),
        FrameRow(2, "f1.tif", 1, 0.0, temperature_c=21.0, time="2026-05-01"),
    ]
    asked = wanted_by_frames(
        rows, serial="TEST-1", gain_mode="normal", panel_rows=ROWS, panel_columns=COLUMNS
    )
    texts = [misfit.text for misfit in judge(entry(), asked).misfits]
    assert texts == [
        "the frames are of 2026-05-01 (f1.tif, page 1 (row 2)), it holds until 2026-04-05",
        "temperature of the frames 20 to 60 °C (60 °C: f1.tif, page 0 (row 1)), "
        "the calibration's 10 to 30 °C",
    ]
    early = [row(0, time="2026-01-01T08:00:00"), row(1, time="2026-01-01T09:00:00")]
    asked = wanted_by_frames(
        early, serial="TEST-1", gain_mode="normal", panel_rows=ROWS, panel_columns=COLUMNS
    )
    (misfit,) = judge(entry(), asked).misfits  # all of one day: none stands out
    assert misfit.text == "the frames are of 2026-01-01, it holds from 2026-01-05 on"
