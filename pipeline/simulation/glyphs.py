"""Lead characters as strokes: the digits and the few letters that a weld's markers need.

Each character is drawn in a box 0.6 wide and 1 high, y downwards, as open lines of points.
"""

from __future__ import annotations

import math
from itertools import pairwise

Point = tuple[float, float]
Segment = tuple[Point, Point]

WIDTH = 0.6
ADVANCE = 0.85  # from one character to the next


def _arc(x: float, y: float, rx: float, ry: float, start: float, end: float) -> list[Point]:
    """Points of an ellipse's arc, angles in degrees, growing clockwise as y runs downwards."""
    steps = max(2, round(abs(end - start) / 20))
    angles = [math.radians(start + (end - start) * k / steps) for k in range(steps + 1)]
    return [(x + rx * math.cos(a), y + ry * math.sin(a)) for a in angles]


STROKES: dict[str, list[list[Point]]] = {
    "0": [_arc(0.3, 0.5, 0.3, 0.5, 0, 360)],
    "1": [[(0.1, 0.22), (0.35, 0.0), (0.35, 1.0)]],
    "2": [[*_arc(0.3, 0.28, 0.28, 0.28, -170, 35), (0.02, 1.0), (0.6, 1.0)]],
    "3": [[*_arc(0.28, 0.25, 0.27, 0.25, -150, 90), *_arc(0.28, 0.74, 0.3, 0.26, -90, 150)]],
    "4": [[(0.45, 1.0), (0.45, 0.0), (0.0, 0.7), (0.6, 0.7)]],
    "5": [[(0.55, 0.0), (0.1, 0.0), (0.06, 0.45), *_arc(0.27, 0.68, 0.31, 0.32, -120, 145)]],
    "6": [[(0.48, 0.02), *_arc(0.3, 0.69, 0.28, 0.31, -160, 200)]],
    "7": [[(0.0, 0.0), (0.6, 0.0), (0.2, 1.0)]],
    "8": [_arc(0.3, 0.25, 0.24, 0.25, 90, 450), _arc(0.3, 0.75, 0.29, 0.25, -90, 270)],
    "9": [[(0.12, 0.98), *_arc(0.3, 0.31, 0.28, 0.31, 20, -340)]],
    "E": [[(0.55, 0.0), (0.0, 0.0), (0.0, 1.0), (0.55, 1.0)], [(0.0, 0.5), (0.42, 0.5)]],
    "F": [[(0.55, 0.0), (0.0, 0.0), (0.0, 1.0)], [(0.0, 0.5), (0.42, 0.5)]],
    "W": [[(0.0, 0.0), (0.15, 1.0), (0.3, 0.3), (0.45, 1.0), (0.6, 0.0)]],
    ">": [[(0.0, 0.5), (0.75, 0.5)], [(0.45, 0.2), (0.75, 0.5), (0.45, 0.8)]],
    " ": [],
}


def text_width(text: str) -> float:
    """Width of a line of characters, in character heights."""
    return ADVANCE * (len(text) - 1) + WIDTH


def text_segments(text: str, *, centre: Point, height: float) -> tuple[Segment, ...]:
    """The strokes of ``text`` as straight segments, the line's middle at ``centre``.

    Raises:
        KeyError: a character that has no strokes in this file.
    """
    left, top = centre[0] - height * text_width(text) / 2, centre[1] - height / 2
    segments: list[Segment] = []
    for place, character in enumerate(text):
        for line in STROKES[character]:
            points = [(left + height * (x + ADVANCE * place), top + height * y) for x, y in line]
            segments += pairwise(points)
    return tuple(segments)
