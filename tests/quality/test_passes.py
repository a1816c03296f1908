"""A scan shot twice over the same place is told from its table; a plain one never."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.quality.passes import shot_twice

STEP_MM, ONCE_MM = 30.0, 900.0


def names(count: int) -> list[str]:
    return [f"f{k}.tif" for k in range(count)]


def told(at: list[float] | np.ndarray, ring: bool = False) -> tuple[str, ...]:
    at = np.asarray(at, dtype=float)
    return shot_twice(at, names(len(at)), ONCE_MM if ring else None)


@pytest.mark.parametrize("ring", [False, True])
def test_plain_scans_are_not_told(ring: bool) -> None:
    plain = STEP_MM * np.arange(30.0) + np.random.default_rng(0).uniform(-5, 5, 30)
    assert told(plain, ring) == () == told(-plain, ring) == told(plain[::-1], ring)
    # Several frames at the first stop while the tube comes up, one more to close the ring.
    assert told([0, 0, 0, *plain[1:], ONCE_MM], ring) == ()
    assert told([0.0, 30.0], ring) == told([5.0], ring) == told([], ring) == ()
    assert told(np.zeros(5), ring) == ()


def test_a_carriage_that_went_back_is_told_with_frame_and_distance() -> None:
    (remark,) = told([0, 30, 60, 90, 120, 30, 60, 90, 120, 150])
    assert remark.startswith("f5.tif lies 90 mm behind what was shot before it")
    assert "a second time" in remark


def test_every_new_pass_is_told_once() -> None:
    assert len(told([*range(0, 300, 30), *range(0, 300, 30), *range(60, 300, 30)])) == 2


@pytest.mark.parametrize(("frames", "again"), [(31, 0), (32, 0), (33, 1), (40, 8)])
def test_more_than_a_turn_is_told_for_a_ring(frames: int, again: int) -> None:
    at = STEP_MM * np.arange(float(frames))
    assert told(at) == ()
    found = told(at, ring=True)
    assert len(found) == (again > 0)
    if again:
        assert found[0].startswith(f"{again} frames from f{frames - again}.tif on")
