"""The tallies of columns, against numpy's."""

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.kernels.column_coverage import (
    BARE,
    BARE_INSIDE,
    COLUMN_TALLIES,
    FILLED,
    FILLED_INSIDE,
    FRAMES_INSIDE,
    LEAST_INSIDE,
    column_coverage,
)
from pipeline.model import Origin


@settings(deadline=None)  # the first call may compile
@given(rows=st.integers(1, 300), columns=st.integers(1, 20), seed=st.integers(0, 2**32 - 1))
def test_tallies_are_the_counts_of_each_column(rows, columns, seed):
    rng = np.random.default_rng(seed)
    count = rng.integers(0, 256, (rows, columns), dtype=np.uint8)
    origin = rng.integers(0, 3, (rows, columns), dtype=np.uint8)
    origin[:, 0] = Origin.FILLED
    first, end = rows // 4, rows - rows // 4
    out = np.empty((COLUMN_TALLIES, columns), dtype=np.uint32)
    column_coverage(count, origin, Origin.NOT_COVERED, Origin.FILLED, first, end, out)

    inside = np.s_[first:end]
    bare, filled = origin == Origin.NOT_COVERED, origin == Origin.FILLED
    assert (out[BARE] == bare.sum(axis=0)).all()
    assert (out[FILLED] == filled.sum(axis=0)).all()
    assert (out[BARE_INSIDE] == bare[inside].sum(axis=0)).all()
    assert (out[FILLED_INSIDE] == filled[inside].sum(axis=0)).all()
    assert (out[FRAMES_INSIDE] == count[inside].sum(axis=0, dtype=np.int64)).all()
    assert (out[LEAST_INSIDE] == np.where(filled, 255, count)[inside].min(axis=0)).all()
