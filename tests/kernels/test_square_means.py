"""Means over squares, against numpy's on the covered pixels of each."""

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.kernels.square_means import square_means


@settings(deadline=None)  # the first call may compile
@given(
    rows=st.integers(1, 17),
    columns=st.integers(1, 17),
    factor=st.integers(1, 5),
    bare=st.sampled_from([0.0, 0.2, 1.0]),
    seed=st.integers(0, 2**32 - 1),
)
def test_each_square_is_the_mean_of_what_was_covered_of_it(rows, columns, factor, bare, seed):
    rng = np.random.default_rng(seed)
    values = rng.integers(0, 65_536, (rows, columns), dtype=np.uint16)
    measured = (rng.random((rows, columns)) >= bare).astype(np.uint8)
    means, covered = square_means(values, measured, factor)
    assert (covered is None) == bool(measured.all())
    for i in range(means.shape[0]):
        for j in range(means.shape[1]):
            square = np.s_[i * factor : (i + 1) * factor, j * factor : (j + 1) * factor]
            inside, seen = values[square], measured[square] != 0
            expected = inside[seen].mean() if seen.any() else 0
            assert abs(int(means[i, j]) - expected) <= 0.5
            if covered is not None:
                assert covered[i, j] == (2 * seen.sum() >= seen.size)
