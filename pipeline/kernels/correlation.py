"""Where a piece of one picture lies in another: normalised cross-correlation."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from pipeline.model import FloatImage


@dataclass(frozen=True, slots=True)
class Peak:
    """A place of best agreement: shift (rows, columns), its correlation, the runner-up's."""

    rows: float
    columns: float
    score: float
    second: float


def _vertex(before: float, at: float, after: float) -> float:
    """Where a parabola through three equidistant values has its top, from the middle one."""
    curve = before - 2 * at + after
    return 0.0 if curve >= 0 else float(np.clip((before - after) / (2 * curve), -0.5, 0.5))


def best_match(
    template: FloatImage,
    field: FloatImage,
    *,
    lobe_px: int,
    avoid: tuple[float, float] | None = None,
) -> Peak | None:
    """Where ``template`` fits best inside ``field``: offset of its corner, to a part of a pixel.

    ``second`` is the best score that is a peak of its own, or stands at the edge of what is
    searched, where it may lead up to one; 0 where there is none as good. An offset (row, column)
    to ``avoid`` is not looked at, nor what lies within ``lobe_px`` of it. None when either picture
    is flat, so that no correlation is defined, or nothing is left to look at.
    """
    if template.min() == template.max() or field.min() == field.max():
        return None
    scores = cv2.matchTemplate(field, template, cv2.TM_CCOEFF_NORMED)
    scores[~np.isfinite(scores)] = -1.0
    if avoid is not None:
        scores[_around(avoid, lobe_px)] = -1.0
        if scores.max() <= -1.0:
            return None
    row, column = (int(k) for k in np.unravel_index(int(np.argmax(scores)), scores.shape))
    peak = float(scores[row, column])
    down, across = float(row), float(column)
    if 0 < row < scores.shape[0] - 1:
        down += _vertex(*(float(v) for v in scores[row - 1 : row + 2, column]))
    if 0 < column < scores.shape[1] - 1:
        across += _vertex(*(float(v) for v in scores[row, column - 1 : column + 2]))
    # A maximum of its own: no neighbour is higher.
    summits = np.where(scores >= cv2.dilate(scores, np.ones((3, 3), np.uint8)), scores, 0.0)
    summits[_around((row, column), 1)] = 0.0
    return Peak(down, across, peak, max(float(summits.max()), 0.0))


def _around(place: tuple[float, float], reach_px: int) -> tuple[slice, slice]:
    """The part of an array within ``reach_px`` of (row, column)."""
    row, column = (round(k) for k in place)
    return (
        slice(max(row - reach_px, 0), max(row + reach_px + 1, 0)),
        slice(max(column - reach_px, 0), max(column + reach_px + 1, 0)),
    )
