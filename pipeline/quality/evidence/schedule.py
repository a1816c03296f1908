"""Times, places and rates of many welds that can't be, as they are told.

A panel is in one place at a time, a person too; a weld takes at least its exposures; and a crew
makes so many welds in a shift. What contradicts that may be a wrong clock as well as anything else:
it is a question.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import pairwise

_EARTH_M = 6_371_000.0


@dataclass(frozen=True, slots=True)
class Shot:
    """One weld's exposures as its frame table tells: ``number`` is the caller's.

    ``begin`` and ``end`` are the first and last frame's times, with a zone; ``exposure_s`` what its
    frames took together, 0 if not told; ``places`` latitude and longitude in degrees of frames that
    tell them; ``times`` those of all frames, as told.
    """

    number: int
    panel: str
    operator: str
    begin: datetime
    end: datetime
    exposure_s: float
    places: tuple[tuple[float, float], ...] = ()
    times: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Limits:
    """From when on something is asked about; all common practice, no published source, but the
    shift: 10 to 20 butts is what a regulator's safety alert of November 2023 calls realistic."""

    most_in_shift: int = 20
    shift_h: float = 12.0
    most_km_h: float = 100.0
    same_place_m: float = 500.0
    weld_spread_m: float = 200.0


@dataclass(frozen=True, slots=True)
class Oddity:
    """What can't be, of which welds, in words, with its figures."""

    kind: str
    numbers: tuple[int, ...]
    what: str
    figures: dict[str, float | str]


def find_oddities(shots: Sequence[Shot], now: datetime, limits: Limits) -> list[Oddity]:
    """Everything that can't be, in the order of the welds' times."""
    shots = sorted(shots, key=lambda shot: (shot.begin, shot.number))
    found = [*_alone(shots, now, limits), *_copied_times(shots)]
    for what, groups in (("panel", _by(shots, "panel")), ("operator", _by(shots, "operator"))):
        for name, same in groups.items():
            found += _twice_at_once(what, name, same, limits)
    for name, same in _by(shots, "panel").items():
        found += _too_many(name, same, limits)
    return found


def distance_m(one: tuple[float, float], other: tuple[float, float]) -> float:
    """Great-circle distance on a sphere between latitude, longitude in degrees (haversine)."""
    (lat1, lon1), (lat2, lon2) = (tuple(map(math.radians, place)) for place in (one, other))
    half = math.sin((lat2 - lat1) / 2) ** 2
    half += math.cos(lat1) * math.cos(lat2) * math.sin((lon2 - lon1) / 2) ** 2
    return 2 * _EARTH_M * math.asin(min(math.sqrt(half), 1.0))


def _by(shots: Iterable[Shot], field: str) -> dict[str, list[Shot]]:
    groups: dict[str, list[Shot]] = defaultdict(list)
    for shot in shots:
        name = str(getattr(shot, field)).strip()
        if name:
            groups[name].append(shot)
    return groups


def _alone(shots: Sequence[Shot], now: datetime, limits: Limits) -> Iterator[Oddity]:
    """What a weld's own table contradicts."""
    for shot in shots:
        if shot.end > now:
            yield Oddity(
                "in_the_future",
                (shot.number,),
                f"was shot until {shot.end.isoformat()}, which is still to come",
                {"end": shot.end.isoformat()},
            )
        took_s = (shot.end - shot.begin).total_seconds()
        # The last frame's time may be its beginning.
        least_s = shot.exposure_s * (1 - 1 / max(len(shot.times), 2))
        if least_s > 0 and took_s < least_s - 1:
            yield Oddity(
                "faster_than_its_exposures",
                (shot.number,),
                f"took {took_s:.0f} s from the first to the last frame, but its exposures alone "
                f"last {shot.exposure_s:.0f} s",
                {"took_s": took_s, "exposure_s": shot.exposure_s},
            )
        apart_m = max((distance_m(shot.places[0], place) for place in shot.places[1:]), default=0.0)
        if apart_m > limits.weld_spread_m:
            yield Oddity(
                "in_two_places",
                (shot.number,),
                f"has frames {apart_m:.0f} m apart",
                {"apart_m": apart_m},
            )


def _copied_times(shots: Sequence[Shot]) -> Iterator[Oddity]:
    """Welds whose frames have all the same times."""
    same: dict[tuple[str, ...], list[Shot]] = defaultdict(list)
    for shot in shots:
        if len(set(shot.times)) > 2:
            same[shot.times].append(shot)
    for times, group in same.items():
        if len(group) > 1:
            yield Oddity(
                "same_times",
                tuple(shot.number for shot in group),
                f"have the same times in all {len(times)} frames, from {times[0]} on",
                {"frames": float(len(times)), "first": times[0]},
            )


def _twice_at_once(what: str, name: str, shots: Sequence[Shot], limits: Limits) -> Iterator[Oddity]:
    """A panel, or a person, at two welds at once, or too far away too soon."""
    latest: Shot | None = None  # of those before, the one that ended last
    for shot in shots:
        if latest is not None:
            yield from _one_after_other(what, name, latest, shot, limits)
        if latest is None or shot.end > latest.end:
            latest = shot


def _one_after_other(
    what: str, name: str, one: Shot, next_one: Shot, limits: Limits
) -> Iterator[Oddity]:
    away_m = _apart_m(one, next_one)
    gap_s = (next_one.begin - one.end).total_seconds()
    # An operator may well look after two panels at one place.
    elsewhere = away_m is not None and away_m > limits.same_place_m
    if gap_s < 0 and (what == "panel" or elsewhere):
        far = f", {away_m / 1000:.1f} km apart" if away_m is not None and elsewhere else ""
        yield Oddity(
            "at_once",
            (one.number, next_one.number),
            f"were shot at the same time{far}, by {what} {name}: {one.begin.isoformat()} to "
            f"{one.end.isoformat()} and {next_one.begin.isoformat()} to "
            f"{next_one.end.isoformat()}",
            {"overlap_s": -gap_s, what: name, "apart_m": away_m or 0.0},
        )
    elif away_m is not None and elsewhere:
        speed_km_h = away_m / 1000 / max(gap_s / 3600, 1e-6)
        if speed_km_h > limits.most_km_h:
            yield Oddity(
                "too_far_too_soon",
                (one.number, next_one.number),
                f"lie {away_m / 1000:.1f} km apart, with {gap_s / 60:.0f} min between them for "
                f"{what} {name}",
                {"apart_m": away_m, "gap_s": gap_s, what: name},
            )


def _apart_m(one: Shot, other: Shot) -> float | None:
    if not (one.places and other.places):
        return None
    return distance_m(one.places[0], other.places[0])


def _too_many(panel: str, shots: Sequence[Shot], limits: Limits) -> Iterator[Oddity]:
    """More welds of a panel in a shift than are made in one, or than their exposures allow."""
    first, told_until = 0, -1
    for last, shot in enumerate(shots):
        while (shot.begin - shots[first].begin).total_seconds() >= limits.shift_h * 3600:
            first += 1
        count = last - first + 1
        if count > limits.most_in_shift and first > told_until:
            window = _whole_window(shots, first, limits.shift_h)
            told_until = first + len(window) - 1
            yield Oddity(
                "too_many_in_a_shift",
                tuple(one.number for one in window),
                f"are {len(window)} welds by panel {panel} within {limits.shift_h:g} h, from "
                f"{window[0].begin.isoformat()} on; {limits.most_in_shift} are a lot for a shift",
                {"welds": float(len(window)), "panel": panel},
            )
    for one, after in pairwise(shots):
        between_s = (after.begin - one.begin).total_seconds()
        if one.exposure_s > 0 and 0 <= between_s < one.exposure_s and after.begin >= one.end:
            yield Oddity(
                "sooner_than_exposed",
                (one.number, after.number),
                f"begin {between_s:.0f} s one after the other with panel {panel}, but the first "
                f"one's exposures last {one.exposure_s:.0f} s",
                {"between_s": between_s, "exposure_s": one.exposure_s, "panel": panel},
            )


def _whole_window(shots: Sequence[Shot], first: int, hours: float) -> Sequence[Shot]:
    begin = shots[first].begin
    return [shot for shot in shots[first:] if (shot.begin - begin).total_seconds() < hours * 3600]
