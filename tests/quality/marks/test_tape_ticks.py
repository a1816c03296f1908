"""Ticks are told from other marks and numbered as they lie on the tape, whatever the strip did."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.quality.marks.tape_ticks import Lattice, number_ticks

TURN_MM = 1915.115
RING = Lattice(10.0, 0.0, TURN_MM, 10)
ARC = Lattice(10.0, 0.0, None, 10)
TAPE = 10.0 * np.arange(192)  # 0 … 1910: its end comes 5.1 mm before its beginning


def ticks_of(s, lattice=RING, long=None):
    """The ticks among marks of equal contrast; round a ring places are taken into the turn."""
    s = np.asarray(s, dtype=np.float64)
    s = np.sort(s % lattice.turn_mm if lattice.turn_mm else s)
    if long is not None:
        long = np.asarray(long) % (lattice.turn_mm or 1e9)
    return number_ticks(s, np.ones(len(s)), lattice, long)


def test_a_whole_tape_round_a_ring_has_its_numbers() -> None:
    ticks = ticks_of(TAPE + 0.3 * np.sin(TAPE / 100))
    assert ticks is not None
    assert np.array_equal(ticks.number, np.arange(192))
    assert ticks.s_mm == pytest.approx(TAPE + 0.3 * np.sin(TAPE / 100))


@pytest.mark.parametrize("offset", [-4.0, -0.1, 0.1, 2.6, 4.0])
def test_a_wrong_datum_is_the_same_for_all(offset: float) -> None:
    ticks = ticks_of(TAPE + offset)
    assert ticks is not None
    deviation = ticks.s_mm - 10 * ticks.number
    assert deviation == pytest.approx(np.full(len(deviation), offset))
    assert len(deviation) == 192


def test_a_stretched_strip_is_followed_past_half_a_spacing() -> None:
    """1 % is 19 mm after one turn; each tick lies only 0.1 mm off from the one before."""
    ticks = ticks_of(1.01 * TAPE[:185])
    assert ticks is not None
    assert ticks.s_mm - 10 * ticks.number == pytest.approx(0.1 * np.arange(185))


@pytest.mark.parametrize("jump", [-6.0, -4.0, -2.0, 2.0, 4.0])
def test_a_step_of_the_strip_shows_as_a_step(jump: float) -> None:
    ticks = ticks_of(TAPE + np.where(TAPE > 995, jump, 0.0))
    assert ticks is not None
    off = ticks.s_mm - 10 * ticks.number
    assert off[ticks.number < 100] == pytest.approx(0, abs=1e-9)
    assert off[(ticks.number >= 100) & (ticks.number < 190)] == pytest.approx(jump)


@pytest.mark.parametrize("jump", [7.0, -7.0, 33.0, -41.0])
def test_long_ticks_tell_steps_of_more_than_half_a_spacing(jump: float) -> None:
    kept = np.abs(TAPE - 995) > abs(jump)  # a step back hides some, a step forward leaves a gap
    s = (TAPE + np.where(TAPE > 995, jump, 0.0))[kept & (TAPE < 1850)]
    long = (TAPE + np.where(TAPE > 995, jump, 0.0))[(TAPE % 100 == 0) & kept & (TAPE < 1850)]
    ticks = ticks_of(s, long=long)
    assert ticks is not None
    off = ticks.s_mm - 10 * ticks.number
    assert off[ticks.s_mm < 900] == pytest.approx(0, abs=1e-9)
    assert off[ticks.s_mm > 1100] == pytest.approx(jump)


@pytest.mark.parametrize("offset", [-38.0, -12.0, 23.0, 44.0])
def test_long_ticks_tell_a_datum_that_is_wrong_by_several_spacings(offset: float) -> None:
    ticks = ticks_of(TAPE[:150] + offset, long=TAPE[:150:10] + offset)
    assert ticks is not None
    off = ticks.s_mm - 10 * ticks.number
    assert off == pytest.approx(np.full(len(off), offset))
    assert len(off) >= 145  # those before the datum may be missed


def test_long_ticks_that_are_all_ticks_say_nothing() -> None:
    ticks = ticks_of(TAPE, long=TAPE)
    assert ticks is not None
    assert np.array_equal(ticks.number, np.arange(192))


def test_a_tape_that_overlaps_its_beginning_is_followed_to_its_end() -> None:
    ticks = ticks_of(10.0 * np.arange(196))
    assert ticks is not None
    assert np.array_equal(ticks.number, np.arange(196))
    assert ticks.s_mm[-1] == pytest.approx(1950.0)


def test_a_tape_that_ends_early_has_only_its_own() -> None:
    ticks = ticks_of(TAPE[:120])
    assert ticks is not None
    assert np.array_equal(ticks.number, np.arange(120))


def test_a_tape_that_fits_the_turn_exactly_is_cut_at_its_beginning() -> None:
    ticks = ticks_of(10.0 * np.arange(190) + 0.2, Lattice(10.0, 0.0, 1900.0, 10))
    assert ticks is not None
    assert np.array_equal(ticks.number, np.arange(190))


def test_two_ticks_that_are_not_seen_break_no_line() -> None:
    s = TAPE[np.arange(192) % 4 < 2]
    ticks = ticks_of(s)
    assert ticks is not None
    assert ticks.s_mm == pytest.approx(10.0 * ticks.number)
    assert len(ticks.number) == 96


def test_a_tape_may_begin_anywhere() -> None:
    ticks = ticks_of(TAPE + 700.0, Lattice(10.0, 700.0, TURN_MM, 10))
    assert ticks is not None
    assert np.array_equal(ticks.number, np.arange(192))
    assert ticks.s_mm - 10 * ticks.number == pytest.approx(np.full(192, 700.0))


def test_an_arc_begins_and_ends_where_it_does() -> None:
    """What it shows before the tape's beginning is the tape's other end."""
    s = np.concatenate([[-25.1, -15.1, -5.1], TAPE[:30]])
    ticks = ticks_of(s, ARC)
    assert ticks is not None
    assert np.array_equal(ticks.number, np.arange(30))
    ticks = ticks_of(TAPE[40:60], ARC)
    assert ticks is not None
    assert np.array_equal(ticks.number, np.arange(40, 60))


@given(
    lost=st.sets(st.integers(0, 59), max_size=15),
    strangers=st.lists(st.floats(0, 590), max_size=8),
    seed=st.integers(0, 1000),
)
def test_ticks_not_seen_and_other_marks_change_no_number(
    lost: set[int], strangers: list[float], seed: int
) -> None:
    laid = np.random.default_rng(seed).normal(0, 0.05, 60)
    true = {k: 10.0 * k + laid[k] for k in range(60) if k not in lost}
    # A stranger within the slack of a tick's place can't be told from the tick.
    apart = [s for s in strangers if 2.5 < s % 10 < 7.5]
    ticks = ticks_of([*true.values(), *apart], ARC)
    assert ticks is not None
    off = ticks.s_mm - 10 * ticks.number
    assert np.abs(off).max() <= 0.3  # 6 standard deviations of how the ticks were laid
    assert len(ticks.number) >= 0.5 * len(true)


@pytest.mark.parametrize("count", [0, 1, 4])
def test_a_few_marks_are_no_tape(count: int) -> None:
    assert ticks_of(TAPE[:count]) is None


def test_marks_at_random_are_no_tape() -> None:
    """Densities from far fewer to as many as a tape has."""
    for seed in range(100):
        rng = np.random.default_rng(seed)
        for count in (6, 20, 60, 190):
            assert ticks_of(rng.uniform(0, TURN_MM, count)) is None


@pytest.mark.parametrize("spacing", [1.7, 2.6, 4.5, 7.0, 9.0, 11.5, 14.0])
def test_marks_with_another_spacing_are_no_tape(spacing: float) -> None:
    assert ticks_of(np.arange(0, 1900, spacing)) is None


def test_faint_marks_are_no_ticks() -> None:
    s = np.sort(np.concatenate([TAPE, TAPE[:60] + 5.0]))
    contrast = np.where(s % 10 == 0, 1.0, 0.3)
    ticks = number_ticks(s, contrast, RING)
    assert ticks is not None
    assert np.array_equal(ticks.number, np.arange(192))
