"""Frames that don't belong to their set: a light leak, afterglow, another dose, a thing in the way.

Every frame is looked at as a sketch (``sketch.py``) and compared with the median sketch of its
set, cell by cell. How much sketches of one set scatter comes from the set itself. Only what spoils
whole regions is judged here; a particle's spike in a few pixels is left to the robust mean.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from pipeline.calibration.sketch import Sketch
from pipeline.errors import CalibrationError
from pipeline.model import FloatArray

FEWEST = 3
"""Of two frames that differ, no one can say which is the odd one."""

SCATTER_FACTOR = 8.0
LEAST_GV = 2.0
"""A dark that differs by less is no outlier, however alike the others are."""

LEAST_SHAPE = 0.01
"""The same for the shape of a flat, relative: the non-uniformity that the standard allows."""

LEAST_LEVEL = 0.2
TUBE_LEVEL = 0.1
"""A flat whose whole signal differs by more than a fifth was not shot with its set's dose, nor were
all that differ by more than a tenth, if these are many. No tube scatters so much; common practice,
no published source."""

MOST_SHARE = 1 / 3
"""With more outliers than this in a set, the set is mixed, and no frame of it can be trusted."""

_GAUSS = 1.4826  # median absolute deviation → standard deviation, of a Gaussian


def odd_darks(sketches: FloatArray, cells: Sketch) -> dict[int, str]:
    """Reason by index, for every dark that is not like the others; empty for fewer than three.

    ``sketches``: (frame, cell row, cell column), GV, in the order in which they were shot. Reasons
    begin with ``afterglow`` (the first ones, brighter and fading), ``light_leak`` (brighter), or
    ``other_level`` (darker).
    """
    if len(sketches) < FEWEST:
        return {}
    away = sketches - np.median(sketches, axis=0)
    limit = max(SCATTER_FACTOR * _scatter(away), LEAST_GV)
    odd = {k: _largest(one) for k, one in enumerate(away) if np.abs(one).max() > limit}
    fading = 0
    while fading in odd and odd[fading][0] > 0 and _not_rising(away, fading):
        fading += 1
    reasons = {}
    for k, (most, cell) in odd.items():
        row, column = cells.centre(cell)
        place = f"near row {row}, column {column} (allowed {limit:.1f})"
        if k < fading and float(np.mean(away[k] > limit / 2)) > 0.5:
            reasons[k] = f"afterglow: up to {most:.1f} GV brighter than the others, {place}"
        elif most > 0:
            reasons[k] = f"light_leak: up to {most:.1f} GV brighter than the others, {place}"
        else:
            reasons[k] = f"other_level: up to {-most:.1f} GV darker than the others, {place}"
    return reasons


def odd_flats(signals: FloatArray, cells: Sketch) -> dict[int, str]:
    """Reason by index, for every flat that is not like the others; empty for fewer than three.

    ``signals``: sketches above dark, as for ``odd_darks``. The tube's output may vary from frame
    to frame, so each is compared at its own level. Reasons begin with ``other_dose`` (the whole
    frame) or ``other_shape`` (a part of it).
    """
    if len(signals) < FEWEST:
        return {}
    level = np.median(signals, axis=(1, 2))
    usual = float(np.median(level))
    if usual <= LEAST_GV:
        return {}  # refused elsewhere: the flats are as dark as the darks
    away = np.abs(level / usual - 1)
    mixed = float(np.mean(away > TUBE_LEVEL)) > MOST_SHARE
    reasons = {
        int(k): f"other_dose: its signal is {level[k] / usual:.2f} of the others'"
        for k in np.flatnonzero(away > (TUBE_LEVEL if mixed else LEAST_LEVEL))
    }
    if mixed:
        return reasons
    same = [k for k in range(len(signals)) if k not in reasons]
    shape = signals[same] / level[same, np.newaxis, np.newaxis]
    middle = np.median(shape, axis=0)
    # A cell without signal (a dead corner) has no shape.
    bent = np.where(middle > 0.05, shape / np.where(middle > 0.05, middle, 1) - 1, 0)
    limit = max(SCATTER_FACTOR * _scatter(bent), LEAST_SHAPE)
    for k, one in zip(same, bent, strict=True):
        most, cell = _largest(one)
        if abs(most) > limit:
            row, column = cells.centre(cell)
            reasons[k] = (
                f"other_shape: up to {100 * abs(most):.1f} % "
                f"{'brighter' if most > 0 else 'darker'} than the others, "
                f"near row {row}, column {column} (allowed {100 * limit:.1f} %)"
            )
    return dict(sorted(reasons.items()))


def require_one_kind(reasons: Mapping[int, str], names: list[str], kind: str) -> None:
    """Refuse a set in which too many frames differ from the rest.

    Raises:
        CalibrationError: more than a third are outliers; each is named with its reason.
    """
    if len(reasons) <= MOST_SHARE * len(names):
        return
    told = "; ".join(f"{names[k]}: {why}" for k, why in list(reasons.items())[:4])
    remedy = (
        "Put exposures of different kinds into folders of their own, each its own [[exposures]], "
        "or shoot them again"
    )
    if all(why.startswith("afterglow") for why in reasons.values()):
        remedy = "Let the panel rest without radiation, and shoot these darks again"
    raise CalibrationError(
        f"{len(reasons)} of {len(names)} frames differ from the set's median ({told})",
        where=kind,
        expected="exposures of one dose, gain mode, frame time and temperature in a set",
        remedy=remedy,
    )


def require_alike(levels: FloatArray, names: list[str], kind: str) -> None:
    """Refuse two flats that differ so much that they can't be of one dose (of more, the odd one
    is found by ``odd_flats``).

    Raises:
        CalibrationError: their signals differ by more than a fifth.
    """
    if len(levels) == 2 and min(levels) > 0 and max(levels) > (1 + LEAST_LEVEL) * min(levels):
        raise CalibrationError(
            f"the signals of {names[0]} and {names[1]} are {levels[0]:.0f} and {levels[1]:.0f} GV",
            where=kind,
            expected="exposures of one dose and gain mode in a set",
            remedy="Shoot this set again, better ten frames or more",
        )


def _scatter(away: FloatArray) -> float:
    return _GAUSS * float(np.median(np.abs(away)))


def _largest(away: FloatArray) -> tuple[float, tuple[int, int]]:
    """The deviation of greatest size, and its cell."""
    row, column = np.unravel_index(int(np.argmax(np.abs(away))), away.shape)
    return float(away[row, column]), (int(row), int(column))


def _not_rising(away: FloatArray, k: int) -> bool:
    return k == 0 or float(np.median(away[k])) <= float(np.median(away[k - 1]))
