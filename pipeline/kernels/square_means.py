"""A picture made smaller by averaging whole squares of it, where it was covered."""

from __future__ import annotations

import numba as nb
import numpy as np

from pipeline.model import FlagImage, RawImage


@nb.njit(nogil=True, cache=True)
def _square_means(values, measured, factor, means, covered):  # type: ignore[no-untyped-def]
    """Loop of `square_means`; tells whether every pixel was covered."""
    rows, columns = values.shape
    whole = True
    sums = np.empty(means.shape[1], dtype=np.int64)
    count = np.empty(means.shape[1], dtype=np.int64)
    for i in range(means.shape[0]):
        first, end = i * factor, min((i + 1) * factor, rows)
        sums[:] = 0
        count[:] = 0
        for row in range(first, end):
            line, seen = values[row], measured[row]
            for j in range(means.shape[1]):
                for column in range(j * factor, min((j + 1) * factor, columns)):
                    if seen[column]:
                        sums[j] += line[column]
                        count[j] += 1
        for j in range(means.shape[1]):
            inside = (end - first) * (min((j + 1) * factor, columns) - j * factor)
            means[i, j] = (2 * sums[j] + count[j]) // (2 * count[j]) if count[j] else 0
            covered[i, j] = 2 * count[j] >= inside
            whole &= count[j] == inside
    return whole


def square_means(
    values: RawImage, measured: FlagImage, factor: int
) -> tuple[RawImage, FlagImage | None]:
    """Mean, rounded, of the covered pixels in squares of ``factor``² pixels; 0 where none were.

    ``measured`` is 0 where ``values`` weren't covered. Squares that stick out over the right or
    lower edge count what lies inside. With the means comes 1 for squares at least half of which
    were covered, uint8; None where all were wholly.
    """
    shape = tuple(-(-side // factor) for side in values.shape)
    means, covered = np.empty(shape, dtype=np.uint16), np.empty(shape, dtype=np.uint8)
    whole = _square_means(values, measured, factor, means, covered)
    return means, None if whole else covered
