"""Which frames are compared: all neighbours, the ring's ends, never too many held."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.stages.pairing import Pair, choose_pairs, last_needed

SPAN = 100.0


@st.composite
def scans(draw: st.DrawFn) -> tuple[list[float], int]:
    steps = draw(
        st.one_of(
            st.lists(st.floats(0, 120), min_size=0, max_size=60),
            st.lists(st.floats(0.2, 3), min_size=20, max_size=200),
        )
    )
    position = [draw(st.floats(-50, 50))]
    for step in steps:
        position.append(position[-1] + step)
    return position, draw(st.integers(1, 8))


@given(scans(), st.floats(0, 60), st.booleans())
@settings(max_examples=150, deadline=None, derandomize=True)
def test_pairs_reach_every_neighbour_and_stay_few(
    scan: tuple[list[float], int], last_step: float, ring: bool
) -> None:
    position, neighbours = scan
    once = position[-1] - position[0] + last_step
    # A ring shorter than three frames would meet itself inside one frame.
    once = max(once, 3 * SPAN)
    groups = choose_pairs(position, SPAN, once if ring else None, neighbours)
    assert len(groups) == len(position)
    reach = 0.88 * SPAN
    for b, group in enumerate(groups):
        assert len(set(group)) == len(group)
        assert all(pair.b == b and pair.a < b for pair in group)
        straight = [pair for pair in group if not pair.wraps]
        assert [pair.a for pair in straight] == sorted((p.a for p in straight), reverse=True)
        for pair in straight:
            assert position[b] - position[pair.a] < reach
        for pair in group:
            if pair.wraps:
                assert ring and abs(position[pair.a] + once - position[b]) < reach
        # Every neighbour that overlaps enough is compared.
        compared = {pair.a for pair in straight}
        for a in range(max(b - neighbours, 0), b):
            assert (a in compared) == (position[b] - position[a] < reach)
        assert len(group) <= neighbours + 4 + 4

    until = last_needed(groups)
    assert all(until[pair.a] >= pair.b for group in groups for pair in group)
    assert all(until[a] >= a for a in until)
    start = {k for group in groups for p in group if p.wraps for k in [p.a]}
    for b in range(len(position)):
        held = [a for a in until if a < b <= until[a]]
        assert len(held) <= neighbours + 4 + 4
        assert len([a for a in held if a not in start]) <= neighbours + 4


@pytest.mark.parametrize("neighbours", [1, 2, 5])
def test_an_evenly_stepped_scan(neighbours: int) -> None:
    position = [20.0 * k for k in range(10)]
    groups = choose_pairs(position, SPAN, None, neighbours)
    # Keys every 40 mm (the first step of at least a quarter frame): 0, 2, 4, 6, 8.
    seven = {pair.a for pair in groups[7]}
    assert seven == set(range(7 - min(neighbours, 4), 7)) | {6, 4}
    assert groups[0] == []


def test_the_rings_end_meets_its_beginning() -> None:
    position = [20.0 * k for k in range(50)]
    groups = choose_pairs(position, SPAN, 1000.0, 2)
    wraps = [pair for group in groups for pair in group if pair.wraps]
    assert Pair(0, 49, True) in wraps
    # 88 mm are enough to compare: frame 0 lies at 1000 for those, frame 2 at 1040, frame 4 at 1080.
    assert {(p.a, p.b) for p in wraps} == {
        (a, b) for a in (0, 2, 4) for b in range(50) if abs(1000 + 20 * a - 20 * b) < 88
    }


def test_a_scan_that_runs_past_the_datum_is_still_compared_with_its_beginning() -> None:
    position = [20.0 * k for k in range(53)]  # to 1040 of 1000
    groups = choose_pairs(position, SPAN, 1000.0, 2)
    assert Pair(0, 50, True) in groups[50] and Pair(2, 52, True) in groups[52]


def test_no_pair_over_a_gap() -> None:
    groups = choose_pairs([0.0, 50.0, 200.0, 250.0], SPAN, None, 3)
    assert [[pair.a for pair in group] for group in groups] == [[], [0], [], [2]]


@pytest.mark.parametrize("ring", [300.0, None])
def test_none_one_and_two_frames(ring: float | None) -> None:
    assert choose_pairs([], SPAN, ring, 2) == []
    assert choose_pairs([3.0], SPAN, ring, 2) == [[]]
    assert choose_pairs([3.0, 8.0], SPAN, ring, 2) == [[], [Pair(0, 1, False)]]
    assert last_needed([]) == {}
    assert last_needed([[]]) == {0: 0}


def test_a_dense_scan_holds_no_more_than_a_sparse_one() -> None:
    groups = choose_pairs([0.05 * k for k in range(4000)], SPAN, 200.0 * 3, 2)
    assert max(len(group) for group in groups) <= 2 + 4
