"""The compiled sums against numpy's on the whole stack."""

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from pipeline.kernels.moments import MAX_FRAMES, accumulate, plain_variance

STACKS = hnp.arrays(np.uint16, st.tuples(st.integers(1, 5), st.just(2), st.just(4)))


@given(STACKS)
@settings(max_examples=100, deadline=None)
def test_sums_and_extremes_are_exact(stack):
    shape = stack.shape[1:]
    total, squares = np.zeros(shape, np.uint32), np.zeros(shape, np.uint64)
    low, high = np.full(shape, 65_535, np.uint16), np.zeros(shape, np.uint16)
    for frame in stack:
        accumulate(frame, total, squares, low, high)
    np.testing.assert_array_equal(total, stack.sum(axis=0, dtype=np.uint64))
    np.testing.assert_array_equal(squares, (stack.astype(np.uint64) ** 2).sum(axis=0))
    np.testing.assert_array_equal(low, stack.min(axis=0))
    np.testing.assert_array_equal(high, stack.max(axis=0))

    variance = np.empty(shape, np.float32)
    plain_variance(total, squares, len(stack), variance)
    expected = stack.astype(np.float64).var(axis=0, ddof=1) if len(stack) > 1 else 0 * variance
    np.testing.assert_allclose(variance, expected, rtol=1e-6, atol=1e-6)


def test_the_greatest_number_of_frames_fits_the_sums():
    assert MAX_FRAMES * 65_535 < 2**32
    assert MAX_FRAMES * MAX_FRAMES * 65_535**2 < 2**63
