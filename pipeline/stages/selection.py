"""Which frames take part: those that belong to the scan; the others are left out, and named."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.calibration.product import CalibrationSet
from pipeline.model import Frame, FrameFlag, FrameRow

_STRIDE = 8  # a survey looks at every eighth row and column: 1.6 % of the pixels
_KV_TOLERANCE = 0.97  # of the scan's median; below it the tube was still ramping up


@dataclass(frozen=True, slots=True)
class FrameSurvey:
    """A first look at a frame: median corrected gray value, part of pixels saturated (0 … 1)."""

    level_gv: float
    saturated: float


def survey(frame: Frame, calibration: CalibrationSet) -> FrameSurvey:
    """The survey of a frame as read, from a regular sample of its good pixels."""
    sample = (slice(None, None, _STRIDE), slice(None, None, _STRIDE))
    good = calibration.classes[sample] == 0
    signal = frame.values[sample][good] - calibration.dark[sample][good]
    level = float(np.median(signal / calibration.gain[sample][good])) if good.any() else 0.0
    return FrameSurvey(level, float(np.mean((frame.flags[sample] & FrameFlag.SATURATED) != 0)))


def left_out(
    rows: Sequence[FrameRow],
    surveys: Mapping[int, FrameSurvey],
    unreadable: Mapping[int, str],
    *,
    shot: Sequence[int],
    min_level: float,
    max_saturated: float,
    min_signal_gv: float = 0.0,
) -> dict[int, str]:
    """Reason by frame index, for every frame that doesn't belong.

    ``shot`` are the indices of all rows in the order in which they were shot. ``min_signal_gv`` is
    the gray value above dark that noise alone may reach.

    Reasons begin with a stable word: ``unreadable``, ``saturated``, ``no_signal``, ``ramp_up``
    (before the tube reached the scan's level or tube voltage) and ``low_level`` (later).
    """
    reasons = {index: f"unreadable: {why}" for index, why in unreadable.items()}
    for row in rows:
        seen = surveys.get(row.index)
        if row.index in reasons or seen is None:
            continue
        if seen.saturated > max_saturated:
            reasons[row.index] = (
                f"saturated: {seen.saturated:.1%} of its pixels, allowed {max_saturated:.1%}"
            )
        elif seen.level_gv <= min_signal_gv:
            reasons[row.index] = f"no_signal: median {seen.level_gv:.0f} gray values above dark"
    fit = [row for row in rows if row.index not in reasons]
    if not fit:
        return reasons
    usual = float(np.median([surveys[row.index].level_gv for row in fit]))
    voltages = [row.kv for row in fit if row.kv is not None]
    usual_kv = float(np.median(voltages)) if voltages else None
    place = {index: k for k, index in enumerate(shot)}
    starting = True
    for row in sorted(fit, key=lambda row: place[row.index]):
        level = surveys[row.index].level_gv / usual
        slack_kv = usual_kv is not None and row.kv is not None and row.kv < _KV_TOLERANCE * usual_kv
        if level >= min_level and not slack_kv:
            starting = False
            continue
        what = f"{level:.2f} of the scan's level"
        if slack_kv:
            what += f", {row.kv:g} of {usual_kv:g} kV"
        reasons[row.index] = f"{'ramp_up' if starting else 'low_level'}: {what}"
    return reasons
