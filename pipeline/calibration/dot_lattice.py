"""Which dot is which: the place of every dot in the square lattice that it belongs to."""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.model import FloatArray

_NEAR = 0.25  # of the spacing: how far from its predicted place a neighbour may be

# The nearest first; the farther ones lead round gaps.
_NEIGHBOURS = (
    *((1, 0), (-1, 0), (0, 1), (0, -1)),
    *((1, 1), (1, -1), (-1, 1), (-1, -1)),
    *((2, 0), (-2, 0), (0, 2), (0, -2)),
)

Indices = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Lattice:
    """Lattice numbers (n,) of the dots ``members`` (indices of what came in).

    ``across`` counts in the direction nearest to the panel's columns, ``down`` in that nearest to
    its rows; (0, 0) is a dot near the middle.
    """

    members: Indices
    across: Indices
    down: Indices


def index_dots(columns: FloatArray, rows: FloatArray, middle: tuple[float, float]) -> Lattice:
    """Number the dots, from one near ``middle`` (column, row) outwards.

    Each dot predicts its neighbours, up to two steps away, from the steps found so far, so a
    lattice that is turned, seen in perspective or a little bent is followed; gaps in it are gone
    round. Dots that are at no predicted place are not members.
    """
    from scipy.spatial import cKDTree  # noqa: PLC0415

    points = np.column_stack([columns, rows])
    tree = cKDTree(points)
    nearest, neighbour = tree.query(points, k=2)
    spacing = float(np.median(nearest[:, 1]))
    regular = np.abs(nearest[:, 1] - spacing) < _NEAR * spacing
    step = (points[neighbour[:, 1]] - points)[regular]
    # Four-fold: steps to the right, left, up and down all tell the same direction.
    fourfold = np.exp(4j * np.arctan2(step[:, 1], step[:, 0])).mean()
    angle = math.atan2(fourfold.imag, fourfold.real) / 4
    right = spacing * np.array([math.cos(angle), math.sin(angle)])
    below = np.array([-right[1], right[0]])

    away = np.hypot(columns - middle[0], rows - middle[1])
    start = int(np.argmin(np.where(regular, away, np.inf)))
    places: dict[tuple[int, int], int] = {(0, 0): start}
    steps = {start: (right, below)}
    waiting = deque([(0, 0)])
    taken = {start}
    while waiting:
        place = waiting.popleft()
        dot = places[place]
        right, below = steps[dot]
        for across, down in _NEIGHBOURS:
            next_place = (place[0] + across, place[1] + down)
            if next_place in places:
                continue
            expected = points[dot] + across * right + down * below
            distance, other = tree.query(expected)
            if distance > _NEAR * spacing or other in taken:
                continue
            found = points[other] - points[dot]
            steps[other] = (
                found / across if across and not down else right,
                found / down if down and not across else below,
            )
            places[next_place] = int(other)
            taken.add(int(other))
            waiting.append(next_place)
    numbers = np.array(list(places), dtype=np.int64)
    return Lattice(np.array(list(places.values()), dtype=np.int64), numbers[:, 0], numbers[:, 1])
