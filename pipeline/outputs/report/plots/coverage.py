"""How well each column of the strip is covered: arrays in, profiles along the strip out."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

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
from pipeline.model import FlagImage, FloatArray, Origin


@dataclass(frozen=True, slots=True)
class CoverageProfile:
    """Per bin of columns, in order along the strip.

    ``edges_mm`` has one entry more than the others. ``least`` and ``mean`` count the frames that
    measured a pixel of the strip's middle half, which holds the weld; the outer rows end where
    the flat panel ends. ``least`` passes over single pixels filled in from neighbours, whose part
    of all the bin's pixels is ``filled``. The fractions are of all pixels of the strip;
    ``edge_fraction`` is what was not covered at the upper and lower edge of columns whose middle
    half was.
    """

    edges_mm: FloatArray
    least: FloatArray
    mean: FloatArray
    filled: FloatArray
    filled_fraction: float
    not_covered_fraction: float
    edge_fraction: float


def coverage_profile(
    count: FlagImage, origin: FlagImage, *, pitch_mm: float, s_first_mm: float, bins: int = 800
) -> CoverageProfile:
    """Profiles of the count and origin maps (rows, columns), at most ``bins`` bins long."""
    rows, columns = count.shape
    first, end = rows // 4, rows - rows // 4
    tallies = np.empty((COLUMN_TALLIES, columns), dtype=np.uint32)
    column_coverage(count, origin, Origin.NOT_COVERED, Origin.FILLED, first, end, tallies)
    bins = min(bins, columns)
    starts = np.arange(bins) * columns // bins
    widths = np.diff(np.append(starts, columns))

    def sums(kind: int) -> FloatArray:
        return np.add.reduceat(tallies[kind], starts, dtype=np.float64)

    least = np.minimum.reduceat(tallies[LEAST_INSIDE], starts).astype(np.float64)
    least[sums(FILLED_INSIDE) == widths * (end - first)] = 0
    bare, inside = tallies[BARE].astype(np.int64), tallies[BARE_INSIDE]
    in_gaps = int(bare[inside > 0].sum())
    return CoverageProfile(
        edges_mm=s_first_mm + (np.append(starts, columns) - 0.5) * pitch_mm,
        least=least,
        mean=sums(FRAMES_INSIDE) / (widths * (end - first)),
        filled=sums(FILLED) / (widths * rows),
        filled_fraction=float(sums(FILLED).sum() / origin.size),
        not_covered_fraction=float(bare.sum() / origin.size),
        edge_fraction=float((bare.sum() - in_gaps) / origin.size),
    )
