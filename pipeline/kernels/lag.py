"""A part of one frame added to another, where the part changes over the panel."""

from __future__ import annotations

import numba
import numpy as np
from numpy.typing import NDArray

from pipeline.model import FloatArray, FloatImage


@numba.njit(nogil=True, cache=True)  # type: ignore[untyped-decorator]
def add_part(
    values: FloatImage,
    earlier: FloatImage,
    part: FloatImage,
    above: NDArray[np.intp],
    towards: FloatImage,
) -> None:
    """Add ``part · earlier`` to ``values``, both (rows, columns) float32.

    ``part`` (knots, columns) float32 holds the part at a few rows of knots, from top to bottom. A
    row of pixels lies between the knots ``above[row]`` and the one after it, ``towards[row]``
    (float32, 0 to 1) of the way; the part is linear between the two.
    """
    for row in range(values.shape[0]):
        upper, lower, t = part[above[row]], part[above[row] + 1], towards[row]
        for column in range(values.shape[1]):
            weight = upper[column] + t * (lower[column] - upper[column])
            values[row, column] += weight * earlier[row, column]


def between_knots(knots: FloatArray, count: int) -> tuple[NDArray[np.intp], FloatImage]:
    """For ``count`` pixels in a line: the knot before each, and how far on to the next it lies.

    ``knots``: places as parts of the line's length, rising, 0 first and 1 last; at least two.
    """
    places = (np.arange(count) + 0.5) / count
    before = np.clip(np.searchsorted(knots, places, side="right") - 1, 0, len(knots) - 2)
    towards = (places - knots[before]) / (knots[before + 1] - knots[before])
    return before.astype(np.intp), towards.astype(np.float32)
