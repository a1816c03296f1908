"""Who is strange, from which overlaps match and which differ: the fewest frames, never the many."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.stages.belonging import strangers, unlinked
from pipeline.stages.matching import Link, Ties

Pairs = list[tuple[int, int]]


def ties(pairs: Pairs) -> Ties:
    a, b = (np.array(side, dtype=np.int64) for side in zip(*pairs, strict=True))
    n = len(pairs)
    plain = np.zeros((n, 2, 5)), np.zeros((n, 2))
    return Ties(a, b, *np.zeros((4, n)), np.zeros((n, 2, 2)), np.zeros(n), np.ones(n), *plain)


def links(same: Pairs, differs: Pairs, blank: Pairs | None = None) -> list[Link]:
    made = [Link(a, b, 1.0, 0.9, 0.5, "", ties([(a, b)])) for a, b in same]
    made += [Link(a, b, None, 0.6, 0.5, "differ", Ties.join([]), True) for a, b in differs]
    return made + [Link(a, b, None, 0.1, 0.5, "blank", Ties.join([])) for a, b in blank or []]


def chain(frames: int, wrong: set[int], reach: int = 1, twins: Pairs | None = None) -> list[Link]:
    """Every frame compared with the ``reach`` before it; those ``wrong`` match none but a twin."""
    pairs = [(a, b) for b in range(frames) for a in range(max(b - reach, 0), b)]
    same = [p for p in pairs if not wrong & set(p) or p in (twins or [])]
    return links(same, [p for p in pairs if p not in same])


@pytest.mark.parametrize("reach", [1, 2, 4])
@pytest.mark.parametrize(
    "wrong",
    [set(), {7}, {7, 8}, {4, 6}, {4, 14}, {2, 5, 9, 13}, {17}, {0}, {0, 17}, {1}],
    ids=lambda wrong: str(sorted(wrong)),
)
def test_frames_that_differ_are_named_and_no_others(wrong: set[int], reach: int) -> None:
    """{4, 6}: only neighbours overlap, so frame 5 matches none either; {1}: nor does frame 0."""
    assert set(strangers(18, chain(18, wrong, reach))) == wrong


@pytest.mark.parametrize("reach", [1, 2])
def test_a_run_of_frames_from_another_weld_is_named_whole(reach: int) -> None:
    """They match each other, yet are fewer than the rest."""
    wrong = {6, 7, 8}
    twins = [(6, 7), (7, 8), (6, 8)]
    assert set(strangers(18, chain(18, wrong, reach, twins))) == wrong


def test_two_single_frames_that_differ_are_both_left_out() -> None:
    """Four in a row turned round: the outer ones differ from the rest, the inner from each other;
    what an inner one shows can't be right for both, and nothing tells for which it is."""
    found = strangers(18, chain(18, {4, 5, 6, 7}))
    assert set(found) == {4, 5, 6, 7}
    assert "nothing tells which" in found[5] and "nothing tells which" in found[6]
    assert all(reason.startswith("wrong_place: ") for reason in found.values())


def test_what_lies_beyond_a_slip_is_not_thrown_out() -> None:
    pairs = [(k, k + 1) for k in range(17)]
    for slip in (8, 12):
        same = [p for p in pairs if p != (slip, slip + 1)]
        assert strangers(18, links(same, [(slip, slip + 1)])) == {}
    # As little as a quarter, though, is: it would lie over what it isn't.
    assert set(strangers(18, links([p for p in pairs if p != (13, 14)], [(13, 14)]))) == {
        *range(14, 18)
    }


def test_a_ring_that_does_not_close_loses_no_frames() -> None:
    """A blank place cuts off the last four, and a wrong diameter spoils the overlaps beyond."""
    pairs = [(k, k + 1) for k in range(17)]
    same = [p for p in pairs if p != (13, 14)]
    assert strangers(18, links(same, [(0, 17), (0, 16), (1, 17)], [(13, 14)])) == {}
    # A single frame beside the datum is told from both sides, the last two exchanged as well.
    assert set(strangers(18, [*chain(18, {17}), *links([], [(0, 17)])])) == {17}
    assert set(strangers(18, [*chain(18, {16, 17}), *links([], [(0, 17)])])) == {16, 17}


def test_blank_overlaps_name_nobody() -> None:
    pairs = [(k, k + 1) for k in range(17)]
    assert strangers(18, links([], [], pairs)) == {}
    blank = [(5, 6), (6, 7), (7, 8)]
    assert strangers(18, links([p for p in pairs if p not in blank], [], blank)) == {}


def test_a_right_frame_between_a_blank_and_a_strange_one_stays() -> None:
    pairs = [(k, k + 1) for k in range(17)]
    same = [p for p in pairs if p[0] not in (5, 6, 7)]
    assert set(strangers(18, links(same, [(6, 7), (7, 8)], [(5, 6)]))) == {7}


def test_equals_without_anyone_else_are_left_alone() -> None:
    assert strangers(2, links([], [(0, 1)])) == {}
    assert strangers(4, links([(0, 1), (2, 3)], [(1, 2)])) == {}
    assert strangers(0, []) == strangers(1, []) == {}


def test_a_match_by_chance_does_not_save_a_stranger() -> None:
    made = chain(18, {7}, reach=4)
    at = next(k for k, link in enumerate(made) if (link.a, link.b) == (7, 9))
    made[at] = links([(7, 9)], [])[0]
    assert set(strangers(18, made)) == {7}
    # Nor does one overlap that differs condemn a frame that matches others.
    made = chain(18, set(), reach=4)
    made[at] = links([], [(7, 9)])[0]
    assert strangers(18, made) == {}


@given(st.sets(st.integers(0, 29), max_size=12), st.integers(1, 4))
@settings(max_examples=200, deadline=None, derandomize=True)
def test_the_largest_group_is_never_named(wrong: set[int], reach: int) -> None:
    named = set(strangers(30, chain(30, wrong, reach)))
    right = [k for k in range(30) if k not in wrong]
    # Who hangs together with most others.
    runs = np.split(right, np.flatnonzero(np.diff(right) > reach) + 1)
    largest = max(runs, key=len)
    if len(largest) > 1:
        assert not named & set(largest.tolist())
    assert len(named) < 30


def test_unlinked_frames_are_those_that_no_tie_joins_to_an_earlier_one() -> None:
    joined = ties([(0, 1), (1, 2), (4, 5), (3, 5), (0, 5)])
    wraps = np.array([False, False, False, False, True])
    assert unlinked(joined, 6, wraps) == (3,)  # a tie runs past 4
    assert unlinked(joined, 6, np.zeros(5, dtype=bool)) == ()
    assert unlinked(Ties.join([]), 3, np.empty(0, dtype=bool)) == (1, 2)
