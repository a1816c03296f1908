"""Where the carriage's encoder lost or gained counts, for whoever looks after the carriage."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.model import FloatArray
from pipeline.quality.check import BASIS_PRACTICE, Check, bound_text, report_only

_CLEAR = 4.0  # robust standard deviations of the steps: chance reaches that once in 16,000
_BEYOND_TOLD = 2.0  # standard deviations that the config allows a step
_SHOWN = 8


@dataclass(frozen=True, slots=True)
class Slip:
    """Between frames ``left`` and ``right`` (numbers in scan order) the carriage went ``extra_mm``
    further than it counted; less far where negative."""

    left: int
    right: int
    extra_mm: float


def find_slips(
    encoder_mm: FloatArray,
    position_mm: FloatArray,
    unlinked: Sequence[int],
    *,
    step_sigma_mm: float,
) -> tuple[Slip, ...]:
    """The steps in which the encoder was far more wrong than usual, the first one first.

    ``encoder_mm`` and ``position_mm`` (n,) are what was counted and what the overlaps showed, in
    scan order; ``unlinked`` the frames whose step only the encoder told, which can't be judged. A
    steady error of the encoder's scale is no slip, nor is jitter up to four of its standard
    deviations (from the median absolute deviation, as there are slips among the steps) or twice
    ``step_sigma_mm``. Fewer than three steps tell nothing.
    """
    counted, gone = np.diff(encoder_mm), np.diff(position_mm)
    judged = np.ones(len(counted), dtype=bool)
    judged[[k - 1 for k in unlinked]] = False
    if judged.sum() < 3:
        return ()
    long = judged & (counted > 0.5 * np.median(counted[judged]))
    scale = float(np.median(gone[long] / counted[long])) if long.any() else 1.0
    extra = gone - scale * counted
    typical = 1.4826 * float(np.median(np.abs(extra[judged] - np.median(extra[judged]))))
    limit = max(_CLEAR * typical, _BEYOND_TOLD * step_sigma_mm)
    return tuple(
        Slip(int(k), int(k) + 1, float(extra[k]))
        for k in np.flatnonzero(judged & (np.abs(extra) > limit))
    )


def encoder_check(slips: Sequence[Slip], frames: Sequence[int], names: Mapping[int, str]) -> Check:
    """How often the encoder slipped, and in which steps; only reported: the overlaps mend it.

    ``frames`` are the indices of the placed frames in scan order, ``names`` the files by index.
    """
    told = [
        f"{names[frames[slip.left]]} to {names[frames[slip.right]]} "
        f"{bound_text(round(abs(slip.extra_mm), 2))} mm "
        f"{'further' if slip.extra_mm > 0 else 'less far'} than counted"
        for slip in slips[:_SHOWN]
    ]
    more = f" and {len(slips) - _SHOWN} more" if len(slips) > _SHOWN else ""
    note = "steps of the carriage in which it slipped or lost counts; the overlaps put it right"
    if slips:
        note += ", but have wheel and encoder looked at: " + "; ".join(told) + more
    return report_only(
        "registration.encoder_slip",
        len(slips),
        stage="registration",
        unit="steps",
        basis=BASIS_PRACTICE,
        note=note,
    )
