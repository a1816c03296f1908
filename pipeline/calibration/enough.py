"""Whether there are exposures enough for a calibration at all."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from pipeline.calibration.statistics import Exposures
from pipeline.errors import CalibrationError


def require_enough(darks: Sequence[Exposures], flats: Sequence[Exposures]) -> None:
    """Refuse too few darks or flats, and sets of flats that can't be told apart by dose.

    Raises:
        CalibrationError: says how many of what are needed.
    """
    if sum(source.frames for source in darks) < 1:
        raise CalibrationError(
            "there are no dark frames",
            where="darks",
            expected="at least one, better ten or more",
            remedy="Shoot darks with the beam off, at the frame time of the scan",
        )
    if not any(source.frames > 1 for source in flats):
        raise CalibrationError(
            f"too few flats: {sum(source.frames for source in flats)}, no two of one kind",
            where="flats",
            expected="at least two of one dose in one folder, better ten or more",
            remedy="Shoot more flats: gain and noise can't be told apart from single frames",
        )
    filled = [source for source in flats if source.frames]
    if len(filled) > 1 and any(source.dose is None for source in filled):
        raise CalibrationError(
            "several sets of flats, and not all name their dose",
            where="flats",
            expected="a dose for every set",
            remedy="Give each set of flats its dose (such as mA·s); equal doses are one level",
        )
    for source in filled:
        if source.dose is not None and not 0 < source.dose < np.inf:
            raise CalibrationError(
                f"dose {source.dose:g}",
                where="flats",
                expected="a finite dose above 0",
                remedy="Correct the dose of this set of flats",
            )
