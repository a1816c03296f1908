"""How far the strip can be trusted along the scan: coverage, filled pixels, places, seams, noise.

The maps are read a stretch at a time, so that no whole map is held; what comes out is kept.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from pipeline.model import Origin
from pipeline.outputs.report.plots.coverage import coverage_profile
from pipeline.review.weld import COUNT, ORIGIN, SIGMA, OpenWeld

_STEPS = 800
_STRETCH = 1024  # columns held at once


def along_strip(weld: OpenWeld) -> dict[str, Any]:
    """A value a step for each figure; a step's place is its middle, null where nothing is known.

    ``count_min`` is of the middle half of the rows, as in the report. ``noise_gv`` is the root mean
    square of what is predicted. ``disagreement`` is that of the nearest seam.
    """
    with weld.busy:
        held = weld.kept.get("along")
        if held is None:
            held = weld.kept["along"] = _along(weld)
    return dict(held)


def _along(weld: OpenWeld) -> dict[str, Any]:
    grid = weld.grid
    width = -(-grid.columns // _STEPS)
    together = max(1, _STRETCH // width) * width
    least: list[float] = []
    filled: list[float] = []
    noise: list[float | None] = []
    for first in range(0, grid.columns, together):
        end = min(first + together, grid.columns)
        whole = first + (end - first) // width * width
        for low, high in ((first, whole), (whole, end)):
            if high > low:
                _stretch(weld, (low, high), -(-(high - low) // width), least, filled, noise)
    starts = np.arange(len(least)) * width
    ends = np.minimum(starts + width, grid.columns)
    s_mm = grid.s_first_mm + ((starts + ends - 1) / 2) * grid.pitch_mm
    return {
        "s_mm": np.round(s_mm, 3).tolist(),
        "count_min": least,
        "filled_percent": filled,
        "position_sigma_mm": [weld.places.place(s).sigma for s in s_mm.tolist()],
        "disagreement": [_nearest_disagreement(weld, s) for s in s_mm.tolist()],
        "noise_gv": noise,
    }


def _stretch(
    weld: OpenWeld,
    columns: tuple[int, int],
    bins: int,
    least: list[float],
    filled: list[float],
    noise: list[float | None],
) -> None:
    """The figures of columns [first, end) in so many equal steps, put behind those before."""
    rows = (0, weld.grid.rows)
    count, origin = (weld.maps.read(rows, columns, page) for page in (COUNT, ORIGIN))
    profile = coverage_profile(count, origin, pitch_mm=1.0, s_first_mm=0.0, bins=bins)
    least += profile.least.tolist()
    filled += np.round(100 * profile.filled, 4).tolist()
    sigma = weld.maps.read(rows, columns, SIGMA).astype(np.float32)
    known = origin != Origin.NOT_COVERED
    square = np.square(sigma, out=sigma).sum(axis=0, where=known, dtype=np.float64)
    starts = np.arange(bins) * (columns[1] - columns[0]) // bins
    sums = np.add.reduceat(square, starts)
    pixels = np.add.reduceat(known.sum(axis=0), starts)
    scale = weld.log.strip.sigma_scale
    noise += [
        round(scale * math.sqrt(total / number), 3) if number else None
        for total, number in zip(sums.tolist(), pixels.tolist(), strict=True)
    ]


def _nearest_disagreement(weld: OpenWeld, s_mm: float) -> float | None:
    seam = weld.places.nearest_seam(s_mm, 0.0)
    return None if seam is None else weld.log.seams[seam[0] - 1].disagreement
