"""Places that a scan was shot over twice, told from the order and the positions of its frames."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from pipeline.model import FloatArray

_BACK = 1.5  # usual steps backwards: more than a carriage that settles


def shot_twice(
    position_mm: FloatArray, names: Sequence[str], circumference_mm: float | None
) -> tuple[str, ...]:
    """Remarks, one a pass that began again over places shot before; none for a plain scan.

    ``position_mm`` (n,) and ``names`` in the order in which the frames were shot;
    ``circumference_mm`` for a ring: what lies more than a whole turn after the first frame was shot
    before, too. A scan that runs backwards all along is plain.
    """
    if len(position_mm) < 3:
        return ()
    at = np.asarray(position_mm, dtype=np.float64)
    if at[-1] < at[0]:
        at = -at
    steps = np.diff(at)
    usual = float(np.median(np.abs(steps)))
    furthest = np.maximum.accumulate(at)[:-1]
    begins = [
        k + 1
        for k in range(len(steps))
        if steps[k] < -_BACK * usual and at[k + 1] < furthest[k] - _BACK * usual
    ]
    remarks = [
        f"{names[k]} lies {furthest[k - 1] - at[k]:.0f} mm behind what was shot before it: from "
        "there on the scan goes over places a second time; all frames that fit are used"
        for k in begins
    ]
    if circumference_mm is not None and usual > 0:
        # One frame at the end may well lie where the first one does, to close the ring.
        again = np.flatnonzero(at - at[0] > circumference_mm + _BACK * usual)
        if len(again):
            remarks.append(
                f"{len(again)} frames from {names[again[0]]} on lie more than a whole turn after "
                "the first: the scan goes over its beginning a second time"
            )
    return tuple(remarks)
