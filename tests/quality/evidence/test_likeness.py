"""The same weld is found again whatever was done to its strip, and strangers are left in peace."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

from pipeline.quality.evidence.agreement import agree
from pipeline.quality.evidence.fingerprint import BANDS, Fingerprint, fingerprint
from pipeline.quality.evidence.search import Candidate, find_candidates, tries
from tests.quality.evidence.welds import (
    PITCH_MM,
    TRICKS,
    Gray,
    Job,
    across,
    along,
    cropped,
    make_job,
    shoot,
    turned,
    weld_thickness,
)

_STRANGERS = 6


@cache
def job(name: str) -> Job:
    return make_job(name)


@cache
def strip(name: str, weld: int, scan: int) -> Gray:
    """One scan of one weld of a job."""
    return shoot(job(name), weld_thickness(job(name), weld), scan)


def made(name: str, gray: Gray, *, ring: bool = True) -> Fingerprint:
    found = fingerprint(gray, PITCH_MM, ring=ring, circumference_mm=job(name).circumference_mm)
    assert found is not None
    return found


@cache
def strangers(name: str) -> tuple[Fingerprint, ...]:
    """Welds of one job: pipe, tape, gauges, figures and panel in common, the metal not."""
    return tuple(made(name, strip(name, weld, weld)) for weld in range(_STRANGERS))


def same(prints: list[Fingerprint]) -> list[Candidate]:
    """The pairs that show the same metal."""
    tried = tries(prints)
    return [
        one
        for one in find_candidates(prints)
        if agree(prints[one.one], prints[one.other], one).same_metal(tried)
    ]


@pytest.mark.parametrize("name", ["small", "ring24"])
def test_strangers_of_one_job_are_strangers(name: str) -> None:
    assert same(list(strangers(name))) == []


@pytest.mark.parametrize("trick", TRICKS, ids=lambda trick: trick[0].replace(" ", "_"))
def test_a_weld_passed_off_is_found(trick: tuple[str, object, bool]) -> None:
    """From a scan of its own of the same weld, so that the noise is another too."""
    _, change, ring = trick
    gray = change(strip("ring24", 3, 100), 7)  # type: ignore[operator]
    prints = [*strangers("ring24"), made("ring24", gray, ring=ring)]
    (found,) = same(prints)
    assert (found.one, found.other) == (3, _STRANGERS)


@pytest.mark.parametrize(
    "trick", [one for one in TRICKS if one[2]], ids=lambda trick: trick[0].replace(" ", "_")
)
def test_on_a_small_pipe_too(trick: tuple[str, object, bool]) -> None:
    gray = trick[1](strip("small", 3, 100), 7)  # type: ignore[operator]
    (found,) = same([*strangers("small"), made("small", gray)])
    assert (found.one, found.other) == (3, _STRANGERS)


@pytest.mark.parametrize("part", [0.1, 0.5, 0.83])
@pytest.mark.parametrize("flips", [(), (along,), (across,), (along, across)])
def test_how_it_was_turned_and_flipped_is_told(part: float, flips: tuple[object, ...]) -> None:
    """Laid on each other as the candidate says, the two profiles are equal: checked by numpy."""
    gray = turned(strip("small", 1, 1), part)
    for flip in flips:
        gray = flip(gray)  # type: ignore[operator]
    one, other = strangers("small")[1], made("small", gray)
    (found,) = find_candidates([one, other])
    assert found.reversed_along == (along in flips)
    assert found.reversed_across == (across in flips)
    profile = other.profile[::-1] if found.reversed_across else other.profile
    if found.reversed_along:
        profile = np.roll(profile[:, ::-1], 1, axis=1)
    best = max(
        float(np.corrcoef(one.profile.ravel(), np.roll(profile, shift, axis=1).ravel())[0, 1])
        for shift in range(round(found.shift_mm) - 2, round(found.shift_mm) + 3)
    )
    assert best > 0.85  # bands and samples needn't fall on the same pixels


def test_a_piece_set_into_another_weld_is_found() -> None:
    """A third of one weld's strip stands in another's."""
    gray = strip("ring24", 5, 101).copy()
    third = gray.shape[1] // 3
    gray[:, third : 2 * third] = strip("ring24", 4, 102)[:, third : 2 * third]
    prints = [*strangers("ring24"), made("ring24", gray)]
    pairs = {(one.one, one.other) for one in same(prints)}
    assert pairs == {(4, _STRANGERS), (5, _STRANGERS)}


def test_pipes_of_two_sizes_are_compared_too() -> None:
    """A piece of a large pipe's weld handed in as a small pipe's."""
    piece = cropped(strip("ring24", 2, 2), 0.2, 0.2 + 898 / 4788)
    alleged = fingerprint(
        piece, PITCH_MM, ring=True, circumference_mm=job("small").circumference_mm
    )
    assert alleged is not None
    prints = [*strangers("ring24"), *strangers("small"), alleged]
    assert {(one.one, one.other) for one in same(prints)} == {(len(prints) - 1, 2)}


def test_what_shows_too_little_has_no_fingerprint() -> None:
    blank = np.zeros((200, 2000), np.uint16)
    assert fingerprint(blank, PITCH_MM, ring=True, circumference_mm=800.0) is None
    few_rows = np.full((round(5 / PITCH_MM), 2000), 1000, np.uint16)
    assert fingerprint(few_rows, PITCH_MM, ring=True, circumference_mm=800.0) is None
    even = np.full((200, 2000), 1000, np.uint16)
    plain = fingerprint(even, PITCH_MM, ring=True, circumference_mm=800.0)
    assert plain is not None
    assert find_candidates([plain, plain]) == []


@pytest.mark.parametrize("along_too", [False, True])
@pytest.mark.parametrize("across_too", [False, True])
def test_of_very_many_only_promising_pairs_are_compared(along_too: bool, across_too: bool) -> None:
    """Three hundred welds of noise, one of them again, turned, cut to 60 % and flipped."""
    rng = np.random.default_rng(1)
    count = 900
    known = np.ones(count, np.bool_)
    profiles = rng.standard_normal((300, BANDS, count)).astype(np.float32)
    prints = [Fingerprint(one, known, True, float(count)) for one in profiles]
    again = np.roll(profiles[7], 333, axis=1)[:, : round(0.6 * count)]
    again = again[:, ::-1] if along_too else again
    again = again[::-1] if across_too else again
    piece = np.ascontiguousarray(again)
    prints.append(Fingerprint(piece, known[: piece.shape[1]], False, float(count)))
    (found,) = find_candidates(prints)
    assert (found.one, found.other) == (7, 300)
    assert (found.reversed_along, found.reversed_across) == (along_too, across_too)
