"""Frames that fit well, but not in the order of their positions: recognised, and said in words."""

from __future__ import annotations

import re
from collections.abc import Sequence

import numpy as np
import pytest

from pipeline.errors import FrameError
from pipeline.stages.frame_order import (
    OrderWatch,
    fewest_out_of_place,
    fit_together,
    in_wrong_order,
    numbers_sorted_as_text,
    runs_backwards,
)
from pipeline.stages.likeness import Likeness, find_likenesses, sketch_of, sketch_pitch_mm
from pipeline.stages.registration import Registration
from tests.stages.registered_scans import FRAMES, ONCE, frame, path, register, view

WRONG = "pictures and positions don't belong together"


def as_text(count: int, first: int = 1) -> list[int]:
    """Which picture each row gets when the files' numbers are sorted as text."""
    return sorted(range(count), key=lambda k: str(first + k))


def rows_told(error: FrameError) -> list[int]:
    """The rows that the message names, from 0."""
    named = re.search(r"as in rows ([\d, ]+)", str(error))
    assert named is not None
    return [int(text) - 1 for text in named[1].split(",") if text.strip()]


@pytest.mark.parametrize("first", [0, 1])
@pytest.mark.parametrize("ring", [True, False])
def test_files_sorted_as_text(ring: bool, first: int) -> None:
    order = as_text(FRAMES, first)
    with pytest.raises(FrameError, match=WRONG) as told:
        register([frame(k, ring) for k in order], path(ring).encoder, ring=ring)
    assert "sorted by name as text" in str(told.value)
    # Named in the order in which they were shot, whatever the numbers begin with.
    assert [order[row] for row in rows_told(told.value)] == list(range(8))


@pytest.mark.parametrize("ring", [True, False])
def test_files_shuffled(ring: bool) -> None:
    order = [int(k) for k in np.random.default_rng(5).permutation(FRAMES)]
    with pytest.raises(FrameError, match=WRONG) as told:
        register([frame(k, ring) for k in order], path(ring).encoder, ring=ring)
    assert "sorted by name as text" not in str(told.value)
    shown = [order[row] for row in rows_told(told.value)]
    assert set(np.diff(shown) % FRAMES) == {1}  # round a ring anyone may be the first


def test_two_halves_exchanged() -> None:
    order = [*range(14, FRAMES), *range(14)]
    with pytest.raises(FrameError, match=WRONG) as told:
        register([frame(k, False) for k in order], path(False).encoder, ring=False)
    assert [order[row] for row in rows_told(told.value)] == list(range(8))


@pytest.mark.parametrize("factor", [0.1, 1 / 25.4, 4.0])
def test_positions_in_another_unit_are_no_wrong_order(factor: float) -> None:
    """Neighbours differ then, but they are in order: other messages tell of the unit."""
    watch = OrderWatch(FRAMES, differing=FRAMES)
    for k in range(FRAMES):
        watch.see(k, view(frame(k), k, Registration()), [])
    watch.require_order(
        range(FRAMES),
        factor * path().encoder,
        margin_mm=4.0,
        axial_mm=1.0,
        circumference_mm=ONCE,
    )


def test_one_frame_in_a_wrong_place_says_nothing_of_the_others() -> None:
    """It alone is left out and named, though the fourteen that it was put behind move up by one."""
    order = [*range(5), *range(6, 20), 5, *range(20, FRAMES)]
    found = register([frame(k, False) for k in order], path(False).encoder, ring=False)
    assert 19 in found.misplaced


# ---- what costs nothing while all is right -------------------------------------------------------


def test_nothing_is_compared_while_neighbours_match(monkeypatch: pytest.MonkeyPatch) -> None:
    def never(*_: object) -> None:
        raise AssertionError("a scan in order was looked at")

    monkeypatch.setattr("pipeline.stages.frame_order.find_likenesses", never)
    register([frame(k) for k in range(FRAMES)], path().encoder)


def test_a_long_scan_keeps_few_sketches() -> None:
    """At most 120, so that memory doesn't grow with the scan."""
    one, watch = view(frame(0), 0, Registration()), OrderWatch(1001)
    for k in range(1001):
        watch.see(k, one, [])
    assert len(watch.sketches) == 112  # every ninth
    assert watch.sketches[0].dtype == np.int8


# ---- what pictures say about each other ----------------------------------------------------------


@pytest.mark.parametrize("seed", range(3))
def test_a_small_overlap_is_enough_to_be_alike(seed: int) -> None:
    """Where the frame between two is missing, a sixth of their length may be all they share."""
    apart = [(0, 0.0), (3, 1.0), (9, 0.0), (14, 0.0), (19, 0.0), (24, 0.0)]
    views = [view(frame(k, False, seed=seed, off_mm=off), k, Registration()) for k, off in apart]
    found = find_likenesses([sketch_of(one) for one in views], 3)
    there = path(False).position
    step = (there[3] + 1.0 - there[0]) / sketch_pitch_mm(views[0])
    assert [(like.a, like.b) for like in found] == [(0, 1)]
    assert abs(found[0].step_px - step) < 2  # a sketch is a flat picture of the round pipe
    assert 0.12 < 1 - found[0].step_px / sketch_of(views[0]).shape[1] < 0.2


def sketches(numbers: Sequence[int]) -> tuple[list[np.ndarray], float]:
    views = [view(frame(k), k, Registration()) for k in numbers]
    return [sketch_of(one) for one in views], sketch_pitch_mm(views[0])


def test_likenesses_are_those_of_frames_that_overlap_by_their_true_step() -> None:
    """Rounded to a pixel, with half a pixel for the unrolling about the nominal source: 1.2 mm off
    of 60, on steps of 14 mm, is 0.3 mm or 0.7 px of 0.4 mm."""
    numbers = [3, 9, 4, 10, 20]
    pictures, pixel_mm = sketches(numbers)
    found = find_likenesses(pictures, 2)
    assert [(like.a, like.b) for like in found] == [(0, 2), (1, 3)]
    for like in found:
        true = path().position[numbers[like.b]] - path().position[numbers[like.a]]
        assert abs(like.step_px - true / pixel_mm) < 1.5


def test_what_every_picture_shows_at_the_same_place_is_no_likeness() -> None:
    """A fixed pattern three times as strong as the metal's texture."""
    pictures, _ = sketches([0, 5, 10, 15, 20, 25])
    fixed = np.random.default_rng(0).normal(0, 60, pictures[0].shape)
    marked = [np.clip(p / 3 + fixed, -127, 127).astype(np.int8) for p in pictures]
    assert find_likenesses(marked, 2) == []


def test_gauges_of_one_kind_are_no_likeness() -> None:
    """The same plate, a third of the picture high, in every other frame, at other places."""
    pictures, _ = sketches([0, 4, 8, 12, 16, 20, 24])
    plate = np.random.default_rng(0).normal(0, 60, (pictures[0].shape[0] // 3, 30))
    for k in range(0, 7, 2):
        pictures[k][: plate.shape[0], 10 + 3 * k : 40 + 3 * k] = plate.clip(-127, 127)
    assert find_likenesses(pictures, 2) == []


# ---- the order from them -------------------------------------------------------------------------


def chain(order: Sequence[int], step: int = 40) -> list[Likeness]:
    """Likenesses of pictures whose true place is ``order`` · ``step``."""
    count = len(order)
    return [
        Likeness(a, b, step * (order[b] - order[a]), 30.0)
        for a in range(count)
        for b in range(a + 1, count)
        if abs(order[b] - order[a]) <= 2
    ]


def test_pictures_fit_together_at_their_places() -> None:
    order = [3, 0, 4, 1, 2]
    group, place = fit_together(5, chain(order), None)
    assert group == [0, 1, 2, 3, 4]
    np.testing.assert_allclose(place - place[1], 40 * np.array(order))


def test_pictures_that_contradict_each_other_say_nothing() -> None:
    said = chain(range(8))
    wrong = [Likeness(k.a, k.b, k.step_px + 25 * (i % 2), k.sigmas) for i, k in enumerate(said)]
    assert fit_together(8, wrong, None)[0] == []


def test_a_ring_may_be_a_whole_turn_further_on() -> None:
    said = [*chain(range(8)), Likeness(0, 7, -40, 30.0)]
    assert len(fit_together(8, said, 320.0)[0]) == 8


def test_weak_likenesses_dont_count_beside_clear_ones() -> None:
    false = [Likeness(a, a + 4, 7, 12.0) for a in range(4)]
    group, place = fit_together(8, [*chain(range(8)), *false], None)
    assert len(group) == 8
    np.testing.assert_allclose(np.diff(place), 40)


def test_the_pairs_in_wrong_order_are_found() -> None:
    told = np.arange(0.0, 60.0, 10.0)
    true = told[[0, 4, 1, 2, 3, 5]]  # row 1 shows what belongs behind row 4
    wrong = in_wrong_order(told, true, 1.0, None)
    assert wrong.sum(axis=1).tolist() == [0, 3, 1, 1, 1, 0]
    assert fewest_out_of_place(wrong) == 1
    assert not in_wrong_order(told, true, 100.0, None).any()


def test_two_pictures_exchanged_are_two_out_of_place_however_many_lie_between() -> None:
    told = np.arange(0.0, 300.0, 10.0)
    true = told.copy()
    true[[5, 20]] = true[[20, 5]]
    assert fewest_out_of_place(in_wrong_order(told, true, 1.0, None)) == 2


def test_a_ring_that_begins_elsewhere_is_in_order() -> None:
    told = np.arange(0.0, 360.0, 10.0)
    assert not in_wrong_order(told, (told + 170) % 360, 1.0, 360.0).any()


@pytest.mark.parametrize("first", [0, 1, 5])
def test_numbers_sorted_as_text_are_told(first: int) -> None:
    order = np.array(as_text(40, first))
    rows = np.delete(np.arange(40), [2, 17, 39])  # some were left out
    numbers = numbers_sorted_as_text(rows, np.float64(40) * order[rows], 5.0, None)
    assert numbers is not None
    assert np.array_equal(np.argsort(numbers), np.argsort(order[rows]))


def test_any_other_order_isnt_told_as_sorted_text() -> None:
    order = np.random.default_rng(2).permutation(40)
    assert numbers_sorted_as_text(np.arange(40), 40.0 * order, 5.0, None) is None


def test_files_in_order_are_not_called_sorted_text() -> None:
    """Not even if the positions beside them are shuffled: text that begins with 100 and ends with
    99 is the same order round a ring."""
    assert numbers_sorted_as_text(np.arange(30), np.arange(0.0, 1200.0, 40.0), 5.0, 1200.0) is None


def test_a_ring_against_its_positions_is_left_to_the_votes() -> None:
    watch = OrderWatch(FRAMES, differing=FRAMES)
    for k in range(FRAMES):
        watch.see(k, view(frame(FRAMES - 1 - k), k, Registration()), [])
    for rows in (range(FRAMES), range(FRAMES)[::-1]):
        watch.require_order(
            rows, path().encoder, margin_mm=4.0, axial_mm=1.0, circumference_mm=ONCE
        )


def test_backwards_is_another_fault() -> None:
    assert runs_backwards(np.arange(9)[::-1])
    assert not runs_backwards(np.random.default_rng(0).permutation(9))
