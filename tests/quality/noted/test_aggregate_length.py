"""The fullest stretch of a weld, against trying every place."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.quality.noted.aggregate_length import fullest_window, merged

TURN_MM = 1000.0


def tried(first: np.ndarray, length: np.ndarray, window_mm: float, turn_mm: float | None) -> float:
    """The most that a window holds, of windows beginning every tenth of a millimetre, which may
    miss the fullest by a twentieth at each end of each indication."""
    step = 0.1
    begins = np.arange(-window_mm, 2500, step) if turn_mm is None else np.arange(0, turn_mm, step)
    best = np.zeros(begins.size)
    for turn in (0,) if turn_mm is None else (-2, -1, 0, 1, 2):
        shift = turn * (turn_mm or 0)
        for a, ell in zip(first + shift, length, strict=True):
            held = np.minimum(a + ell, begins + window_mm) - np.maximum(a, begins)
            best += np.maximum(held, 0)
    return float(best.max())


@pytest.mark.parametrize("turn_mm", [TURN_MM, None])
@pytest.mark.parametrize("window_mm", [300.0, 47.0])
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_no_other_stretch_holds_more(turn_mm: float | None, window_mm: float, seed: int) -> None:
    rng = np.random.default_rng(seed)
    first, length = rng.uniform(0, 1000, 12), rng.uniform(1, 80, 12)
    most, begin, parts = fullest_window(first, length, window_mm=window_mm, turn_mm=turn_mm)
    assert most == pytest.approx(parts.sum())
    assert (parts <= length + 1e-9).all()
    found = tried(first, length, window_mm, turn_mm)
    assert found <= most + 1e-6
    assert most <= found + 12 * 0.1
    held = np.minimum(first + length, begin + window_mm) - np.maximum(first, begin)
    if turn_mm is None:
        assert np.maximum(held, 0).sum() == pytest.approx(most)


def test_a_stretch_goes_on_across_the_datum() -> None:
    """30 mm before the datum, 20 mm behind it, and 40 mm on the other side of the pipe."""
    first, length = [960.0, 5.0, 500.0], [30.0, 20.0, 40.0]
    most, begin, parts = fullest_window(first, length, window_mm=100.0, turn_mm=TURN_MM)
    assert (most, begin) == (50.0, 960.0)
    assert parts.tolist() == [30.0, 20.0, 0.0]
    assert fullest_window(first, length, window_mm=100.0, turn_mm=None)[0] == 40.0


def test_one_that_is_longer_than_the_stretch_fills_it() -> None:
    most, begin, _ = fullest_window([900.0], [500.0], window_mm=300.0, turn_mm=TURN_MM)
    assert (most, begin) == (300.0, 900.0)


def test_a_weld_shorter_than_the_stretch_is_held_whole() -> None:
    first, length = [10.0, 150.0], [20.0, 40.0]
    most, begin, _ = fullest_window(first, length, window_mm=300.0, turn_mm=250.0)
    assert (most, begin) == (60.0, 10.0)


def test_side_by_side_each_counts() -> None:
    assert fullest_window([10.0, 10.0], [20.0, 20.0], window_mm=300.0, turn_mm=TURN_MM)[0] == 40.0


def test_nothing_holds_nothing() -> None:
    most, begin, parts = fullest_window([], [], window_mm=300.0, turn_mm=TURN_MM)
    assert (most, begin, parts.size) == (0.0, 0.0, 0)


def test_what_overlaps_counts_once() -> None:
    first, length = merged([10.0, 15.0, 40.0], [10.0, 10.0, 5.0], turn_mm=None)
    assert (first, length) == ([10.0, 40.0], [15.0, 5.0])


def test_what_overlaps_across_the_datum_counts_once() -> None:
    """990 … 1010 and 5 … 20 are one from 990 on for 30 mm; what lies inside it adds nothing."""
    first, length = merged([990.0, 5.0, 995.0, 500.0], [20.0, 15.0, 2.0, 7.0], turn_mm=TURN_MM)
    assert (first, length) == ([500.0, 990.0], [7.0, 30.0])


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_never_more_than_once_round(seed: int) -> None:
    """Against counting the tenths of a millimetre that are covered: each end is off by one."""
    rng = np.random.default_rng(seed)
    first, length = rng.uniform(0, TURN_MM, 9), rng.uniform(1, 200, 9)
    covered = np.zeros(10_000, dtype=bool)
    for a, ell in zip(first, length, strict=True):
        covered[np.arange(round(10 * a), round(10 * (a + ell))) % 10_000] = True
    total = sum(merged(first, length, turn_mm=TURN_MM)[1])
    assert total == pytest.approx(covered.sum() / 10, abs=9 * 0.1)
    assert merged([0.0, 400.0], [600.0, 700.0], turn_mm=TURN_MM)[1] == [TURN_MM]
