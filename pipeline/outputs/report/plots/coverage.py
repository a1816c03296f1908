"""How well each column of the strip is covered: arrays in, profiles along the strip out."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

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
    half = slice(rows // 4, rows - rows // 4)
    middle = count[half]
    bins = min(bins, columns)
    starts = np.arange(bins) * columns // bins
    widths = np.diff(np.append(starts, columns))
    all_filled = origin == Origin.FILLED
    filled = all_filled[half]
    most = count.dtype.type(np.iinfo(count.dtype).max)
    least = np.minimum.reduceat(np.maximum(middle, filled * most).min(axis=0), starts)
    least[np.logical_and.reduceat(filled.all(axis=0), starts)] = 0
    seen = origin[half].min(axis=0) != Origin.NOT_COVERED
    bare = np.count_nonzero(origin == Origin.NOT_COVERED)
    in_gaps = 0 if seen.all() else np.count_nonzero(origin[:, ~seen] == Origin.NOT_COVERED)
    # A column of 8-bit counts stays below 2³² for up to 16 million rows.
    columns_sum = middle.sum(axis=0, dtype=np.uint32)
    sums = np.add.reduceat(columns_sum, starts, dtype=np.int64)
    filled_sum = all_filled.view(np.uint8).sum(axis=0, dtype=np.uint32)
    return CoverageProfile(
        edges_mm=s_first_mm + (np.append(starts, columns) - 0.5) * pitch_mm,
        least=least.astype(np.float64),
        mean=sums / (widths * middle.shape[0]),
        filled=np.add.reduceat(filled_sum, starts, dtype=np.int64) / (widths * rows),
        filled_fraction=float(filled_sum.sum(dtype=np.int64) / origin.size),
        not_covered_fraction=float(bare / origin.size),
        edge_fraction=float((bare - in_gaps) / origin.size),
    )
