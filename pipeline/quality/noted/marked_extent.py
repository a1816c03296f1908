"""Where an indication was marked: on a ring its ends may lie on both sides of the datum."""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise

from pipeline.model import StripGrid
from pipeline.quality.noted.indication import Indication
from pipeline.quality.noted.local_contrast import Region
from pipeline.quality.noted.strip_places import StripPlaces


@dataclass(frozen=True, slots=True)
class MarkedExtent:
    """It begins at ``s_mm``, on a ring's first turn, and goes on for ``length_mm``; ``run_mm`` is
    the way along its line, None for a box."""

    s_mm: float
    length_mm: float
    z_mm: tuple[float, float]
    run_mm: float | None = None


def marked_extent(mark: Indication, places: StripPlaces) -> MarkedExtent | str:
    """Where the mark lies, or why it can't lie anywhere.

    On a ring a line goes from each point to the next the short way round.
    """
    turn_mm = places.turn_mm
    if mark.box_mm is not None:
        first, last, low, high = mark.box_mm
        length = last - first
        if length < 0 and turn_mm is not None:
            length += turn_mm
        if length < 0:
            return "ends before it begins, and the strip is no ring"
        extent = MarkedExtent(places.first_turn(first), length, (low, high))
    else:
        points = [mark.line_mm[0]]
        for s, z in mark.line_mm[1:]:
            points.append((points[-1][0] + places.way(points[-1][0], s), z))
        along = [s for s, _ in points]
        across = [z for _, z in points]
        extent = MarkedExtent(
            places.first_turn(min(along)),
            max(along) - min(along),
            (min(across), max(across)),
            sum(math.dist(one, other) for one, other in pairwise(points)),
        )
    if turn_mm is not None and extent.length_mm > turn_mm:
        return "is longer than once round the pipe"
    return extent


def marked_region(extent: MarkedExtent, grid: StripGrid) -> Region | None:
    """The pixels whose middles are marked, at least one each way; None off the strip."""
    last_mm = extent.s_mm + extent.length_mm
    left, right = _pixels(extent.s_mm, last_mm, grid.s_first_mm, grid.pitch_mm)
    top, bottom = _pixels(*extent.z_mm, grid.z_first_mm, grid.pitch_mm)
    top, bottom = max(top, 0), min(bottom, grid.rows)
    if not grid.ring:
        left, right = max(left, 0), min(right, grid.columns)
    if top >= bottom or left >= right:
        return None
    return Region((top, bottom), (left, right))


def _pixels(first_mm: float, last_mm: float, begin_mm: float, pitch_mm: float) -> tuple[int, int]:
    """The pixels [first, end) whose middles lie there, or the nearest one."""
    first, last = ((at - begin_mm) / pitch_mm for at in (first_mm, last_mm))
    start, end = math.ceil(first - 1e-6), math.floor(last + 1e-6) + 1
    if end > start:
        return start, end
    nearest = round((first + last) / 2)
    return nearest, nearest + 1
