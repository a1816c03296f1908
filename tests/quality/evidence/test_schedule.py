"""Times, places and rates that can't be are named; what can be is left alone."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest
from astropy.coordinates import angular_separation
from hypothesis import given
from hypothesis import strategies as st

from pipeline.quality.evidence.schedule import Limits, Oddity, Shot, distance_m, find_oddities

NOON = datetime(2026, 3, 2, 12, tzinfo=UTC)
HERE, TOWN = (47.0, 8.0), (47.5, 8.0)  # 55.6 km apart


def shot(number: int, begin_min: float, **more: object) -> Shot:
    """A weld of 60 frames of 2 s within ten minutes."""
    begin = NOON + timedelta(minutes=begin_min)
    plain = Shot(
        number=number,
        panel="P-1",
        operator="A. Example",
        begin=begin,
        end=begin + timedelta(minutes=10),
        exposure_s=120.0,
        places=(HERE, HERE),
        times=tuple((begin + timedelta(seconds=10 * k)).isoformat() for k in range(60)),
    )
    return replace(plain, **more)  # type: ignore[arg-type]


def found(*shots: Shot, limits: Limits = Limits()) -> list[Oddity]:  # noqa: B008 - frozen
    return find_oddities(shots, NOON + timedelta(days=10), limits)


def kinds(*shots: Shot) -> list[str]:
    return [one.kind for one in found(*shots)]


def test_an_honest_shift_raises_no_question() -> None:
    assert kinds(*(shot(k, 35 * k) for k in range(20))) == []


def test_one_panel_at_two_welds_at_once() -> None:
    (one,) = found(shot(1, 0), shot(2, 8, operator="B. Example"))
    assert (one.kind, one.numbers) == ("at_once", (1, 2))
    assert one.figures["overlap_s"] == 120
    assert "by panel P-1" in one.what


def test_a_short_weld_within_a_long_one_is_seen_past_a_third() -> None:
    long = shot(1, 0, end=NOON + timedelta(hours=3))
    assert kinds(long, shot(2, 20), shot(3, 100)) == ["at_once", "at_once"]


def test_one_person_in_two_places_at_once_but_not_at_two_panels_side_by_side() -> None:
    assert kinds(shot(1, 0), shot(2, 5, panel="P-2")) == []
    assert kinds(shot(1, 0), shot(2, 5, panel="P-2", places=(TOWN,))) == ["at_once"]


def test_too_far_too_soon() -> None:
    (one, other) = found(shot(1, 0), shot(2, 30, places=(TOWN,)))  # 55.6 km in 20 min
    assert {one.kind, other.kind} == {"too_far_too_soon"}  # for the panel and for the person
    assert kinds(shot(1, 0), shot(2, 60, places=(TOWN,))) == []  # in 50 min


def test_one_weld_in_two_places() -> None:
    assert kinds(shot(1, 0, places=(HERE, (47.01, 8.0)))) == ["in_two_places"]
    assert kinds(shot(1, 0, places=(HERE, (47.0005, 8.0)))) == []  # 56 m: the receiver's scatter


def test_less_time_than_the_exposures_take() -> None:
    quick = shot(1, 0, end=NOON + timedelta(seconds=60))
    assert kinds(quick) == ["faster_than_its_exposures"]
    assert kinds(shot(1, 0, end=NOON + timedelta(seconds=119))) == []  # the last frame's beginning


def test_copied_times() -> None:
    again = shot(2, 0, panel="P-2", operator="B. Example")
    (one,) = found(shot(1, 0), again)
    assert (one.kind, one.numbers) == ("same_times", (1, 2))


def test_more_welds_than_a_shift_makes() -> None:
    """The case of the regulator's alert: 104 butts claimed for one shift."""
    begin = [shot(k, 6.5 * k, end=NOON + timedelta(minutes=6.5 * k + 6)) for k in range(104)]
    (one,) = found(*begin)
    assert one.kind == "too_many_in_a_shift"
    assert len(one.numbers) == 104


def test_a_weld_begun_before_the_one_before_could_be_exposed() -> None:
    short = shot(1, 0, end=NOON + timedelta(seconds=130), exposure_s=300.0, times=())
    after = shot(2, 3)
    assert "sooner_than_exposed" in kinds(short, after)


def test_times_to_come() -> None:
    assert kinds(shot(1, 20 * 24 * 60)) == ["in_the_future"]


@given(
    st.tuples(st.floats(-90, 90), st.floats(-180, 180)),
    st.tuples(st.floats(-90, 90), st.floats(-180, 180)),
)
def test_distances_as_astropy_has_them(
    one: tuple[float, float], other: tuple[float, float]
) -> None:
    (lat1, lon1), (lat2, lon2) = (tuple(map(math.radians, place)) for place in (one, other))
    expected = 6_371_000.0 * float(angular_separation(lon1, lat1, lon2, lat2))
    assert distance_m(one, other) == pytest.approx(expected, rel=1e-6, abs=1.0)
