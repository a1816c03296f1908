"""The darks at other temperatures and frame times of two calibrations, held against each other."""

from __future__ import annotations

import numpy as np

from pipeline.calibration.product import CalibrationSet, DarkConditions
from pipeline.model import FloatImage

MOST_CHANGE = 0.25
"""Part of a dark's level by which it may change unsaid: acceptance allows as much."""

_SAME_C = 2.0
_SAME_TIME = 0.01


def other_darks(first: CalibrationSet, second: CalibrationSet) -> tuple[str, ...]:
    """Sentences about dark states whose level changed by more than a quarter, or that only one has.

    States of the same frame time (to 1 %) and temperature (to 2 °C) belong together.
    """
    left = list(zip(first.facts.dark_states, first.dark_states, strict=True))
    found = []
    for told, dark in zip(second.facts.dark_states, second.dark_states, strict=True):
        same = next((one for one in left if _alike(one[0], told)), None)
        if same is None:
            found.append(f"Only the second has darks {told.describe()}.")
            continue
        left.remove(same)
        was, now = _level(first, same[1]), _level(second, dark)
        if abs(now - was) > MOST_CHANGE * abs(was):
            found.append(
                f"The darks {told.describe()} changed from {was:.0f} to {now:.0f} GV, by more than "
                f"{100 * MOST_CHANGE:g} %."
            )
    found += [f"Only the first has darks {told.describe()}." for told, _ in left]
    return tuple(found)


def _alike(one: DarkConditions, other: DarkConditions) -> bool:
    return _near(one.temperature_c, other.temperature_c, _SAME_C) and _near(
        one.frame_time_s, other.frame_time_s, _SAME_TIME * (one.frame_time_s or 0.0)
    )


def _near(one: float | None, other: float | None, most: float) -> bool:
    if one is None or other is None:
        return one is other
    return abs(one - other) <= most


def _level(calibration: CalibrationSet, dark: FloatImage) -> float:
    good = calibration.classes == 0
    return float(np.median(dark[good] if good.any() else dark))
