"""How a strip is cut where it has more columns than a DICOM image can have."""

from __future__ import annotations

import math
from dataclasses import dataclass

MOST_COLUMNS = 65_535
"""Rows and columns are 16-bit numbers."""
OVERLAP_MM = 50.0
"""So much two parts share, so that nothing that lies on the cut is only seen cut in half."""


@dataclass(frozen=True, slots=True)
class Part:
    """Columns ``first`` to ``stop`` of the strip; ``number`` of ``count``, from 1."""

    number: int
    count: int
    first: int
    stop: int

    @property
    def columns(self) -> int:
        """How many it has."""
        return self.stop - self.first


def cut(columns: int, pitch_mm: float, most: int = MOST_COLUMNS) -> tuple[Part, ...]:
    """The parts, equally wide but for a column, each with ``OVERLAP_MM`` of the next."""
    if columns <= most:
        return (Part(1, 1, 0, columns),)
    overlap = min(round(OVERLAP_MM / pitch_mm), most // 2)
    count = math.ceil((columns - overlap) / (most - overlap))
    step = (columns - overlap) / count
    edges = [round(k * step) for k in range(count + 1)]
    return tuple(Part(k + 1, count, edges[k], edges[k + 1] + overlap) for k in range(count))
