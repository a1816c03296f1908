"""What each column of the strip was measured by, in one pass over its count and origin maps."""

from __future__ import annotations

import numba as nb
import numpy as np

# Rows of what `column_coverage` tells, uint32 (COLUMN_TALLIES, columns).
BARE, FILLED, BARE_INSIDE, FILLED_INSIDE, FRAMES_INSIDE, LEAST_INSIDE = range(6)
COLUMN_TALLIES = 6


@nb.njit(nogil=True, cache=True)
def column_coverage(count, origin, not_covered, filled, first, end, out):  # type: ignore[no-untyped-def]
    """Tallies of every column into ``out`` (COLUMN_TALLIES, columns), uint32.

    ``count`` and ``origin`` (rows, columns) uint8; ``not_covered`` and ``filled`` are values of
    ``origin``. How many pixels were not covered and filled; of rows ``first`` to ``end`` the same,
    the sum of the count, and the least count of pixels that were not filled, the largest uint8
    where all were.
    """
    rows, columns = count.shape
    out[:] = 0
    out[LEAST_INSIDE] = 255
    for i in range(rows):
        kinds = origin[i]
        tally = out[BARE]
        for j in range(columns):
            tally[j] += np.uint32(kinds[j] == not_covered)
        tally = out[FILLED]
        for j in range(columns):
            tally[j] += np.uint32(kinds[j] == filled)
        if first <= i < end:
            counts = count[i]
            tally = out[BARE_INSIDE]
            for j in range(columns):
                tally[j] += np.uint32(kinds[j] == not_covered)
            tally = out[FILLED_INSIDE]
            for j in range(columns):
                tally[j] += np.uint32(kinds[j] == filled)
            tally = out[FRAMES_INSIDE]
            for j in range(columns):
                tally[j] += np.uint32(counts[j])
            least = out[LEAST_INSIDE]
            for j in range(columns):
                frames = np.uint32(255) if kinds[j] == filled else np.uint32(counts[j])
                least[j] = min(least[j], frames)
