"""Flats that are cut off at the top: which frames, at which gray value, how much of the panel."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from pipeline.calibration.frame_outliers import MOST_SHARE
from pipeline.calibration.levels import MAX_CLIPPED_FRACTION
from pipeline.errors import CalibrationError
from pipeline.model import RawImage

_BELOW_GV = 8
_STEP_FACTOR = 3.0
"""So many times more pixels than at the gray values just below show a value at which they are cut:
noise makes neighbouring gray values about equally frequent, and rarer towards the top."""

_LOOKED_AT = 250_000
"""Pixels of a frame, on a regular grid: one in a hundred of them is still 2500."""


def clipped_share(raw: RawImage, saturation_gv: float) -> tuple[float, int]:
    """Which part of a raw flat (uint16) is cut off, and from which gray value on.

    What reaches ``saturation_gv`` is. So is what piles up at a lower gray value, with next to
    nothing above it (single pixels that are stuck there): the panel ends before it is told to.
    A part of at most 1 % isn't told from such pixels; then (0, 0).
    """
    step = max(1, int((raw.size / _LOOKED_AT) ** 0.5))
    counts = np.bincount(raw[::step, ::step].ravel(), minlength=65_536)
    shares = counts / counts.sum()
    reached = np.cumsum(shares[::-1])[::-1]  # at this gray value or above it
    full = min(int(np.ceil(saturation_gv)), 65_535)
    if reached[full] > MAX_CLIPPED_FRACTION:
        return float(reached[full]), full
    top = int(np.flatnonzero(reached > MAX_CLIPPED_FRACTION)[-1])
    below = float(shares[max(top - _BELOW_GV, 0) : top].mean()) if top else 0.0
    if shares[top] > MAX_CLIPPED_FRACTION and shares[top] > _STEP_FACTOR * below and below > 0:
        return float(reached[top]), top
    return 0.0, 0


def saturated(clipped: Sequence[tuple[float, int]], where: str) -> Mapping[int, str]:
    """Reason by index for the flats of a set that are cut off, as ``clipped_share`` found them.

    Raises:
        CalibrationError: more than a third of them are; it isn't one burst of the tube then.
    """
    cut = {k: one for k, one in enumerate(clipped) if one[0] > 0}
    if len(cut) > MOST_SHARE * len(clipped):
        share, value = max(cut.values())
        raise CalibrationError(
            f"the flats are saturated: in {len(cut)} of {len(clipped)} frames up to "
            f"{100 * share:.1f} % of the pixels are cut off at {value} GV",
            where=where,
            expected=f"at most {100 * MAX_CLIPPED_FRACTION:g} %",
            remedy="Shoot them again with less dose, or leave this level out",
        )
    return {
        k: f"saturated: {100 * share:.1f} % of its pixels are cut off at {value} GV"
        for k, (share, value) in cut.items()
    }
