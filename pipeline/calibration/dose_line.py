"""Whether the panel's signal is proportional to dose: a straight line through the flats' levels.

The beam over the panel has another shape at another distance of the source, and so the panel's
median is another part of the dose at its foot (with a panel of 150 mm at 700 and at 1000 mm: half
a percent); besides, a distance told 1 mm wrongly is a dose 0.3 % wrong. Levels are therefore held
against each other where the beam is the same:

    signal = slope(distance) · dose + intercept

with one intercept, an offset that isn't the flats' own, and a slope for each distance.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from pipeline.calibration.levels import Level
from pipeline.errors import CalibrationError
from pipeline.model import FloatArray

SAME_DOSE = 1.05
"""Doses this close are alike as far as a tube can tell."""


@dataclass(frozen=True, slots=True)
class DoseLine:
    """``slope`` (GV per unit of dose) at the distance with most levels; ``intercept`` as a part of
    the brightest signal, None where each level has a distance of its own.

    ``off_line`` tells of each level, in their order, which part of the fitted signal it lies off;
    None for one that has its distance to itself: nothing there could tell. ``max_deviation`` is
    the largest of these, None where so few levels always lie on a line.
    """

    slope: float
    intercept: float | None
    off_line: tuple[float | None, ...]
    max_deviation: float | None

    def facts(self) -> dict[str, float]:
        """As it stands in ``CalibrationFacts.linearity``; ``levels`` are those that were judged."""
        told = {
            "levels": float(sum(off is not None for off in self.off_line)),
            "slope": self.slope,
            "intercept": self.intercept,
            "max_deviation": self.max_deviation,
        }
        return {name: value for name, value in told.items() if value is not None}


def fit_dose_line(levels: Sequence[Level]) -> DoseLine | None:
    """The levels' median signals against their doses; None for one level.

    Least squares with equal *relative* weight for all levels.

    Raises:
        CalibrationError: a higher dose from the same distance gave no higher signal.
    """
    if len(levels) < 2:
        return None
    dose = np.array([level.dose for level in levels], dtype=np.float64)
    signal = np.array([level.median for level in levels])
    shared = shared_distances(levels)
    for members in shared:
        _require_growth([one for one, mine in zip(levels, members, strict=True) if mine])
    off_line: list[float | None] = [None] * len(levels)
    if not shared:
        return DoseLine(float(signal[-1] / dose[-1]), None, tuple(off_line), None)
    judged = np.any(shared, axis=0)
    columns = [*(np.where(members, dose, 0.0) for members in shared), np.ones_like(dose)]
    terms = np.stack(columns, axis=1)[judged]
    seen: FloatArray = signal[judged]
    found, *_ = np.linalg.lstsq(terms / seen[:, None], np.ones_like(seen), rcond=None)
    off = seen / (terms @ found) - 1
    for place, value in zip(np.flatnonzero(judged), off, strict=True):
        off_line[place] = float(value)
    # Of equally many levels the later ones are brighter: the levels are in the order of dose.
    most = max(range(len(shared)), key=lambda k: (shared[k].sum(), np.flatnonzero(shared[k])[-1]))
    free = len(seen) - len(found)
    return DoseLine(
        float(found[most]),
        float(found[-1] / signal[-1]),
        tuple(off_line),
        float(np.abs(off).max()) if free > 0 else None,
    )


def shared_distances(levels: Sequence[Level]) -> list[NDArray[np.bool_]]:
    """For each distance that two or more levels were shot at, which levels; nearest first."""
    distances = sorted({level.distance_mm or 0.0 for level in levels})
    groups = [
        np.array([(level.distance_mm or 0.0) == distance for level in levels])
        for distance in distances
    ]
    return [members for members in groups if members.sum() > 1]


def _require_growth(levels: Sequence[Level]) -> None:
    for lower, higher in pairwise(levels):
        more = (higher.dose or 0.0) > SAME_DOSE * (lower.dose or 0.0)
        if more and higher.median <= lower.median:
            raise CalibrationError(
                f"signal {higher.median:.1f} GV is not above the {lower.median:.1f} GV "
                f"of dose {lower.dose:g}",
                where=higher.where,
                expected="more signal at more dose",
                remedy="Check the doses and folders of the exposures",
            )
