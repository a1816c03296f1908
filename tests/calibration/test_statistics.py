"""Streaming statistics against plain array statistics of the whole stack."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from pipeline.calibration import statistics
from pipeline.calibration.statistics import REJECT_FACTOR, FrameStatistics
from pipeline.errors import CalibrationError

STACKS = hnp.arrays(np.uint16, st.tuples(st.integers(1, 6), st.just(2), st.just(3)))


def collect(stack: np.ndarray) -> FrameStatistics:
    running = FrameStatistics(*stack.shape[1:])
    for frame in stack:
        running.add(frame)
    return running


def reference(stack: np.ndarray) -> tuple[np.ndarray, np.ndarray, int]:
    """The estimator, readable: sort, judge the farther end first, then the other, once each."""
    scatter = stack.std(axis=0, ddof=1).astype(np.float32) if len(stack) > 1 else 0 * stack[0]
    least = max(float(np.sqrt(np.median(scatter.astype(np.float32) ** 2))), 12**-0.5)
    mean, variance = np.empty(stack.shape[1:]), np.empty(stack.shape[1:])
    rejected = 0
    for place in np.ndindex(stack.shape[1:]):
        values = sorted(int(v) for v in stack[(slice(None), *place)])
        ends = [-1, 0] if values[-1] - np.mean(values) >= np.mean(values) - values[0] else [0, -1]
        for end in ends:
            rest = values[:-1] if end == -1 else values[1:]
            if len(rest) < 2:
                break
            off = abs(values[end] - np.mean(rest))
            if off <= REJECT_FACTOR * max(np.std(rest, ddof=1), least):
                break
            values, rejected = rest, rejected + 1
        mean[place] = np.mean(values)
        variance[place] = np.var(values, ddof=1) if len(values) > 1 else 0
    return mean, variance, rejected


@given(STACKS)
@settings(max_examples=200, deadline=None)
def test_equals_the_readable_estimator(stack):
    result = collect(stack).result()
    mean, variance, rejected = reference(stack)
    # float32 results: 6e-8 of the value.
    np.testing.assert_allclose(result.mean, mean, rtol=2e-7)
    np.testing.assert_allclose(result.variance, variance, rtol=2e-6, atol=1e-6)
    assert result.rejected == rejected
    assert result.frames == len(stack)


@given(STACKS, st.randoms(use_true_random=False), st.integers(0, 6))
@settings(max_examples=100, deadline=None)
def test_order_and_grouping_of_frames_do_not_matter(stack, random, cut):
    order = list(range(len(stack)))
    random.shuffle(order)
    shuffled = stack[order]
    parts = collect(shuffled[:cut])
    parts.merge(collect(shuffled[cut:]))
    expected, found = collect(stack).result(), parts.result()
    np.testing.assert_array_equal(found.mean, expected.mean)
    np.testing.assert_array_equal(found.variance, expected.variance)


def test_sums_are_exact_at_full_scale():
    frame = np.full((1, 2), 65535, np.uint16)
    running = FrameStatistics(1, 2)
    for _ in range(3000):
        running.add(frame)
    result = running.result()
    np.testing.assert_array_equal(result.mean, 65535)
    np.testing.assert_array_equal(result.variance, 0)


@pytest.mark.parametrize("frames", [3, 5, 12])
@pytest.mark.parametrize("spike_gv", [-180.0, 400.0, 60_000.0])
def test_a_spike_in_one_frame_leaves_no_trace(frames, spike_gv):
    rng = np.random.default_rng(5)
    clean = np.rint(rng.normal(200, 4, (frames, 40, 50)))
    hit = clean.copy()
    hit[frames // 2, 7, 9] += spike_gv
    found = collect(hit.astype(np.uint16)).result()
    # What is left are frames - 1 values of std 4: the mean lies within 5 std/√n of the truth.
    assert abs(found.mean[7, 9] - 200) < 5 * 4 / np.sqrt(frames - 1)
    assert found.rejected >= 1


def test_gaussian_noise_keeps_the_plain_mean():
    rng = np.random.default_rng(6)
    stack = np.rint(rng.normal(500, 4, (10, 200, 300))).astype(np.uint16)
    result = collect(stack).result()
    changed = np.mean(result.mean != stack.mean(axis=0, dtype=np.float64).astype(np.float32))
    # Beyond 5 std of the other nine (√(1 + 1/9) wider): 2.1e-6 for each of ten values.
    assert changed < 1e-4


def test_too_many_frames_are_refused(monkeypatch):
    monkeypatch.setattr(statistics, "MAX_FRAMES", 2)
    running = collect(np.zeros((2, 2, 2), np.uint16))
    with pytest.raises(CalibrationError, match="too many exposures"):
        running.add(np.zeros((2, 2), np.uint16))
