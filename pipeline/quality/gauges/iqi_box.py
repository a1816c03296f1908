"""The part of a strip in which an image quality indicator is looked for."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.model import FloatArray, FloatImage, RawImage, StripGrid

_UNKNOWN = 0.02  # of a line's pixels: what may be filled by the line's median

Span = tuple[float, float]


@dataclass(frozen=True, slots=True)
class Box:
    """``values`` (z, s), all above 0; the middle of the first pixel lies at the two places."""

    values: FloatArray
    s_first_mm: float
    z_first_mm: float
    pitch_mm: float

    @property
    def s_mm(self) -> Span:
        """From the first to the last column's middle."""
        return self.s_first_mm, self.s_first_mm + (self.values.shape[1] - 1) * self.pitch_mm

    @property
    def z_mm(self) -> Span:
        """From the first to the last row's middle."""
        return self.z_first_mm, self.z_first_mm + (self.values.shape[0] - 1) * self.pitch_mm

    def reaches(self, s_mm: Span, z_mm: Span) -> bool:
        """Whether all of this lies in it."""
        near = self.pitch_mm
        return all(
            own[0] <= asked[0] + near and asked[1] - near <= own[1]
            for own, asked in ((self.s_mm, s_mm), (self.z_mm, z_mm))
        )


def cut_box(values: RawImage | FloatImage, grid: StripGrid, s_mm: Span, z_mm: Span) -> Box:
    """What is known of this part of the strip; round a ring it may lie across the datum.

    Lines at its border in which more than 2 % of the pixels are unknown (0) are left off, single
    unknown pixels elsewhere get the row's median. Nothing known gives a box without pixels.
    """
    first, last = _indices(s_mm, grid.s_first_mm, grid.pitch_mm)
    top, bottom = _indices(z_mm, grid.z_first_mm, grid.pitch_mm)
    if grid.ring:
        last = min(last, first + grid.columns - 1)
        columns = np.arange(first, last + 1) % grid.columns
    else:
        first, last = max(first, 0), min(last, grid.columns - 1)
        columns = np.arange(first, last + 1)
    top, bottom = max(top, 0), min(bottom, grid.rows - 1)
    part = values[top : bottom + 1][:, columns].astype(np.float64)
    known = part > 0
    rows = _known_run(known.mean(axis=1) if columns.size else np.zeros(len(part)))
    part, known = part[rows], known[rows]
    used = _known_run(known.mean(axis=0) if len(part) else np.zeros(columns.size))
    part, known = part[:, used], known[:, used]
    if not known.all():
        usual = np.array([np.median(line[seen]) for line, seen in zip(part, known, strict=True)])
        part = np.where(known, part, usual[:, None])
    return Box(
        part,
        grid.s_first_mm + (first + used.start) * grid.pitch_mm,
        grid.z_first_mm + (top + rows.start) * grid.pitch_mm,
        grid.pitch_mm,
    )


def _indices(span_mm: Span, first_mm: float, pitch_mm: float) -> tuple[int, int]:
    low, high = ((place - first_mm) / pitch_mm for place in span_mm)
    return math.floor(low + 1e-6), math.ceil(high - 1e-6)


def _known_run(known: FloatArray) -> slice:
    """The longest run of lines that are known; the first of equals, empty if there is none."""
    good: NDArray[np.bool_] = known >= 1 - _UNKNOWN
    edges = np.flatnonzero(np.diff(np.concatenate([[0], good.astype(np.int8), [0]])))
    starts, ends = edges[::2], edges[1::2]
    if starts.size == 0:
        return slice(0, 0)
    longest = int(np.argmax(ends - starts))
    return slice(int(starts[longest]), int(ends[longest]))
