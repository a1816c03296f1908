"""How much length of indications lies in any stretch of a weld, round the ring across the datum."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from pipeline.model import FloatArray

_TOUCH_MM = 1e-9


def merged(
    first_mm: Sequence[float], length_mm: Sequence[float], *, turn_mm: float | None
) -> tuple[list[float], list[float]]:
    """Stretches that overlap or touch as one each: where they begin and how long they are.

    On a ring of ``turn_mm`` they may lie across the datum, begin in 0 … turn, and are together no
    longer than that.
    """
    spans = sorted(zip(first_mm, length_mm, strict=True))
    if turn_mm is not None:
        spans = sorted((first % turn_mm, length) for first, length in spans)
    joined: list[tuple[float, float]] = []
    for first, length in spans:
        if joined and first <= joined[-1][1] + _TOUCH_MM:
            joined[-1] = joined[-1][0], max(joined[-1][1], first + length)
        else:
            joined.append((first, first + length))
    if turn_mm is not None and joined:
        begin, end = joined[-1]
        while len(joined) > 1 and joined[0][0] + turn_mm <= end + _TOUCH_MM:
            end = max(end, joined.pop(0)[1] + turn_mm)
        joined[-1] = begin, min(end, begin + turn_mm)
    return [first for first, _ in joined], [last - first for first, last in joined]


def fullest_window(
    first_mm: Sequence[float],
    length_mm: Sequence[float],
    *,
    window_mm: float,
    turn_mm: float | None,
) -> tuple[float, float, FloatArray]:
    """The most length that a stretch of ``window_mm`` holds, where it begins, and each one's part.

    Indications begin at ``first_mm`` and go on for ``length_mm``. ``turn_mm`` is a ring's
    circumference, at which places repeat; a window as long holds everything. None for an arc. Of
    several stretches that hold the same the first that begins with an indication is told; on a ring
    it begins in 0 … turn. With no indication it is (0, 0, empty).

    What a window holds changes at a steady rate while no end of it passes an end of an indication,
    so the most is found where one does.
    """
    first, length = (np.asarray(one, dtype=np.float64) for one in (first_mm, length_mm))
    if not first.size:
        return 0.0, 0.0, np.zeros(0)
    if turn_mm is not None and window_mm >= turn_mm:
        return float(length.sum()), float(np.min(first % turn_mm)), length
    last = first + length
    begins = np.concatenate([np.sort(first), np.sort(last - window_mm)])
    if turn_mm is not None:
        begins = np.concatenate([np.sort(one % turn_mm) for one in np.split(begins, 2)])
    held = _held(begins, first, last, window_mm, turn_mm)
    total = held.sum(axis=1)
    best = int(np.flatnonzero(total >= total.max() - 1e-9)[0])
    return float(total[best]), float(begins[best]), held[best]


def _held(
    begins: FloatArray, first: FloatArray, last: FloatArray, window_mm: float, turn_mm: float | None
) -> FloatArray:
    """How much of each indication each window holds, (windows, indications)."""
    held = np.zeros((begins.size, first.size))
    turns = 0 if turn_mm is None else math.ceil((last.max() - first.min()) / turn_mm) + 1
    for turn in range(-turns, turns + 1):
        shift = 0.0 if turn_mm is None else turn * turn_mm
        low = np.maximum(first + shift, begins[:, np.newaxis])
        high = np.minimum(last + shift, begins[:, np.newaxis] + window_mm)
        held += np.maximum(high - low, 0.0)
    return held
