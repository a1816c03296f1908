"""What the strip covers and what it doesn't, from the origin map."""

from __future__ import annotations

import numpy as np

from pipeline.model import FlagImage, Origin, StripGrid

_MASK_ROWS = 32


def covered_columns(origin: FlagImage) -> np.ndarray:
    """For every column whether all pixels of the strip's middle half along the pipe are known.

    The middle half holds the weld and what lies beside it; the outer rows are only seen by the
    middle of the panel and may end earlier.
    """
    rows = origin.shape[0]
    middle = origin[rows // 4 : rows - rows // 4]
    return np.asarray((middle != Origin.NOT_COVERED).all(axis=0))


def find_gaps(origin: FlagImage, grid: StripGrid) -> list[tuple[float, float]]:
    """Stretches (from, to), mm from the datum, that no frame covered; over the datum they join."""
    bare = ~covered_columns(origin[:, : grid.columns])
    if not bare.any():
        return []
    edges = np.flatnonzero(np.diff(np.concatenate([[False], bare, [False]]).astype(np.int8)))
    runs = [(int(a), int(b)) for a, b in zip(edges[::2], edges[1::2], strict=True)]
    wraps = grid.ring and len(runs) > 1 and runs[0][0] == 0 and runs[-1][1] == grid.columns
    if wraps:
        first = runs.pop(0)
        runs[-1] = (runs[-1][0], grid.columns + first[1])
    return [
        (
            grid.s_first_mm + (a - 0.5) * grid.pitch_mm,
            grid.s_first_mm + (b - 0.5) * grid.pitch_mm,
        )
        for a, b in runs
    ]


def origin_fraction(origin: FlagImage, kind: Origin) -> float:
    """Part of the covered pixels whose origin is ``kind``; 0 when nothing is covered."""
    covered = int(np.count_nonzero(origin))
    # A few rows at a time: masks of a whole strip cost more to get than to fill.
    parts = (origin[first : first + _MASK_ROWS] for first in range(0, len(origin), _MASK_ROWS))
    return sum(int(np.count_nonzero(part == kind)) for part in parts) / covered if covered else 0.0
