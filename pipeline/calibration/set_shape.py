"""What is smooth in a panel's exposures and should not be: a beam that moved, a light that leaks.

A source or a filter that moves changes flats by a smooth shape. The gain takes it in, and no pixel
stands out from its neighbours. Only exposures held against each other tell: the frames of a set,
and the sets. Light that falls on the panel in every dark shows in the dark's own shape.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import combinations

import numpy as np

from pipeline.calibration.levels import Level
from pipeline.calibration.sketch import Sketch
from pipeline.calibration.smooth_surface import smooth_surface
from pipeline.model import FloatArray, FloatImage

LIMIT = 0.02
"""So far across the panel flats may differ by a smooth shape: a tube's flicker and a panel that
bends by the 2 % that acceptance allows stay below it; common practice, no published source."""

DARK_PART = 0.25
"""Of the dark's level: as much as its level may change over the years (see acceptance)."""

DARK_SCATTER = 8.0
DARK_NOISE = 5.0
"""A dark's smooth shape is its modules' up to so many times what they differ by at random, and so
many times a pixel's read noise; common practice, no published source."""

_DEGREE = 2
_LEAST_RESPONSE = 0.05
_GAUSS = 1.4826


def bend_within(signals: FloatArray) -> float:
    """How far frames of one set differ from their median by a smooth shape, the worst of them.

    ``signals``: sketches above dark, (frame, cell row, cell column). Relative, from the shape's
    least to its greatest. 0 for fewer than two frames, and for panels of fewer than six cells
    (192 pixels) along a side, where noise can't be told from shape.
    """
    level = np.median(signals, axis=(1, 2), keepdims=True)
    if len(signals) < 2 or (level <= 0).any():  # as dark as the darks: refused elsewhere
        return 0.0
    shapes = signals / level
    middle = np.median(shapes, axis=0)
    return max(_reach(_surface(one, middle)) for one in shapes)


def bend_between(sets: Sequence[Level]) -> float:
    """How far any two sets of flats differ by a smooth shape; as ``bend_within``."""
    if len(sets) < 2:
        return 0.0
    cells = Sketch(*sets[0].signal.shape)
    shapes = [cells.of(one.signal) / one.median for one in sets]
    surfaces = [_surface(one, shapes[-1]) for one in shapes]
    return max(_reach(one - other) for one, other in combinations(surfaces, 2))


def _surface(one: FloatArray, other: FloatArray) -> FloatArray:
    """The smooth part of one shape over another."""
    lit = other > _LEAST_RESPONSE
    ratio = np.where(lit, one / np.where(lit, other, 1), 1.0)
    return smooth_surface(ratio, _DEGREE)


def _reach(surface: FloatArray) -> float:
    return float(surface.max() - surface.min())


def dark_shape(dark: FloatImage, read_noise_gv: float | None) -> tuple[float, float]:
    """From the least to the greatest of a mean dark's smooth part (GV), and what is allowed.

    Smooth is what cells of a sketch have in common with their eight neighbours. Modules whose
    offsets differ make cells scatter about that.
    """
    from scipy import ndimage  # noqa: PLC0415  (slow import)

    cells = Sketch(*dark.shape).of(dark)
    smooth = ndimage.median_filter(cells, size=3, mode="nearest")
    scatter = _GAUSS * float(np.median(np.abs(cells - smooth)))
    allowed = max(
        DARK_PART * abs(float(np.median(dark))),
        DARK_SCATTER * scatter,
        DARK_NOISE * (read_noise_gv or 0.0),
    )
    return _reach(smooth), allowed
