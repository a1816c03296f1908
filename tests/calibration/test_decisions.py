"""What a library knows: moments, names, the panel's history, and which decisions make sense."""

from __future__ import annotations

import dataclasses
from datetime import UTC, datetime

import pytest

from pipeline.calibration.decisions import (
    Entry,
    Status,
    StatusRecord,
    by_identity,
    first_of_panel,
    history_of_panel,
    last_moment,
    moment,
    next_record,
)
from pipeline.errors import CalibrationError
from tests.calibration.ageing_panel import aged

FACTS = aged(0).facts


def entry(digit: str, *statuses: Status, day: str = "2026-03-01", **facts: object) -> Entry:
    identity = digit * 64
    records = tuple(
        StatusRecord(identity, status, f"{day}T08:00:00+00:00", "C. Example") for status in statuses
    )
    return Entry(f"P_{digit}", identity, dataclasses.replace(FACTS, **facts), records)


def test_moments_without_a_zone_count_as_utc_and_a_date_holds_to_its_end() -> None:
    assert moment("2026-03-01") == datetime(2026, 3, 1, tzinfo=UTC)
    assert moment("2026-03-01T01:00:00+01:00") == datetime(2026, 3, 1, tzinfo=UTC)
    assert last_moment("2026-03-01") == datetime(2026, 3, 1, 23, 59, 59, 999_999, tzinfo=UTC)
    assert last_moment("2026-03-01T08:00:00") == datetime(2026, 3, 1, 8, tzinfo=UTC)


def test_a_calibration_is_named_by_its_folder_or_the_first_digits_of_its_identity() -> None:
    known = [entry("a"), entry("b")]
    assert by_identity(known, "P_b").identity == "b" * 64
    assert by_identity(known, "AAAAAA").identity == "a" * 64
    assert by_identity(known, "shelf/panels/P_b/").identity == "b" * 64
    for wrong, said in (
        ("aaa", "'aaa' is too short to name a calibration .* at least 6 digits"),
        ("c" * 6, "names no calibration"),
    ):
        with pytest.raises(CalibrationError, match=said):
            by_identity(known, wrong)
    twins = [entry("a"), dataclasses.replace(entry("a"), identity="a" * 63 + "b", name="P_a2")]
    with pytest.raises(CalibrationError, match="names 2 calibrations"):
        by_identity(twins, "aaaaaaaa")


def test_the_first_of_a_panel_is_the_earliest_that_still_counts() -> None:
    released = (Status.RELEASED,)
    known = [
        entry("d", *released, valid_from="2026-04-01"),
        entry("c", *released, valid_from="2026-03-01"),
        entry("b", Status.RELEASED, Status.WITHDRAWN, valid_from="2026-02-01"),
        entry("a", valid_from="2026-01-01"),  # never released
        entry("9", *released, valid_from="2025-01-01", serial="OTHER"),
        entry("8", *released, valid_from="2025-01-01", gain_mode="high"),
        entry("7", *released, valid_from="2025-01-01", binning="2x2"),
    ]
    first = first_of_panel(known, FACTS)
    assert first is not None
    assert first.identity[0] == "c"
    assert [one.identity[0] for one in history_of_panel(known, FACTS)] == ["a", "b", "c", "d"]
    assert first_of_panel([], FACTS) is None


def test_without_a_start_the_first_release_dates_a_calibration() -> None:
    released = entry("a", Status.RELEASED, day="2026-02-01", valid_from=None)
    assert released.made == datetime(2026, 2, 1, 8, tzinfo=UTC)
    undated = entry("b", valid_from=None)
    assert undated.made is None
    assert [one.identity[0] for one in history_of_panel([undated, released], FACTS)] == ["a", "b"]


@pytest.mark.parametrize(
    ("history", "status", "reason", "said"),
    [
        ((Status.RELEASED,), Status.RELEASED, "again", "is released already"),
        ((Status.RELEASED,), Status.WITHDRAWN, " ", "without a reason"),
        ((), Status.WITHDRAWN, "light", "was never released"),
        ((Status.RELEASED, Status.WITHDRAWN), Status.WITHDRAWN, "light", "is withdrawn already"),
        ((Status.RELEASED, Status.WITHDRAWN), Status.RELEASED, "", "comes back without a reason"),
        ((), Status.SUPERSEDED, "new", "can't be superseded: it is not released"),
        ((Status.RELEASED, Status.WITHDRAWN), Status.SUPERSEDED, "", "it is withdrawn"),
    ],
)
def test_decisions_that_make_no_sense_are_refused(
    history: tuple[Status, ...], status: Status, reason: str, said: str
) -> None:
    with pytest.raises(CalibrationError, match=said):
        next_record(entry("a", *history), status, when="2026-05-01", who="C", reason=reason)


def test_somebody_must_decide() -> None:
    with pytest.raises(CalibrationError, match="nobody is named"):
        next_record(entry("a"), Status.RELEASED, when="2026-05-01", who=" ", reason="")


@pytest.mark.parametrize(
    ("history", "status"),
    [
        ((), Status.RELEASED),
        ((Status.RELEASED,), Status.WITHDRAWN),
        ((Status.RELEASED,), Status.SUPERSEDED),
        ((Status.RELEASED, Status.SUPERSEDED), Status.WITHDRAWN),
        ((Status.RELEASED, Status.WITHDRAWN), Status.RELEASED),
    ],
)
def test_decisions_that_make_sense(history: tuple[Status, ...], status: Status) -> None:
    record = next_record(entry("a", *history), status, when="2026-05-01", who="C", reason="so")
    assert (record.identity, record.status, record.reason) == ("a" * 64, status, "so")


def test_a_decision_is_not_dated_before_the_last_one_but_may_be_of_its_day() -> None:
    released = entry("a", Status.RELEASED, day="2026-03-01")  # at 8:00 UTC
    with pytest.raises(CalibrationError, match="was released on 2026-03-01, after 2026-02-28"):
        next_record(released, Status.WITHDRAWN, when="2026-02-28", who="C", reason="so")
    same_day = next_record(released, Status.WITHDRAWN, when="2026-03-01", who="C", reason="so")
    assert same_day.status is Status.WITHDRAWN
