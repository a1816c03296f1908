"""Basic spatial resolution SR_b from the picture of a duplex wire gauge.

Wires of a pair lie one wire's width apart. The dip between a pair's two shadows,
100·(A + B − 2C)/(A + B) with the depths A, B of the shadows and C between them, shrinks with the
wire's diameter; SR_b is the diameter at which it is 20 %. The diameters are ISO 19232-5's as two
public pages reproduce its table; rule and interpolation as a public forum quotes ASTM E2597.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from pipeline.calibration.duplex_pairs import DIAMETERS_MM, PairShadow, find_pairs, read_dips
from pipeline.calibration.duplex_place import (
    DuplexPlace,
    Profile,
    duplex_profile,
    find_duplex,
)
from pipeline.model import FloatImage

LIMIT_PERCENT = 20.0
FEWEST_LINES = 21  # from memory: the averaged profile's least number of lines
LEAST_CROSSED_PX = 0.9
LEAST_TILT_DEG = 1.0
MOST_TILT_DEG = 6.0
_ABOUT = 4  # pairs to each side of the limit: two tell SR_b, and some lines' limit may lie beside
_PARTS = 8  # of the lines; each is left out once to see how far SR_b scatters


@dataclass(frozen=True, slots=True)
class DuplexPair:
    """One element of the gauge: its wires' diameter and its dip in per cent.

    ``dip_percent`` is 0 where the two shadows are one, and None where the pair isn't seen.
    """

    name: str
    diameter_mm: float
    dip_percent: float | None


@dataclass(frozen=True, slots=True)
class Duplex:
    """What a duplex wire gauge says.

    ``sr_b_mm`` is the interpolated SR_b; None if it can't be told, and ``why_not`` says why.
    ``first_unresolved`` is the first pair, from the thick ones on, with a dip below 20 %.
    ``tilt_deg`` is how much the wires lean from the pixels' rows or columns; ``lines`` how many
    were averaged; ``remarks`` what makes the figure less certain. ``sigma_mm`` is SR_b's standard
    deviation as the lines tell it (see ``_sigma_mm``), None where SR_b or it can't be told.
    ``place`` and ``profile`` are None where no gauge is seen; ``shadows`` are the pairs' places in
    the profile.
    """

    sr_b_mm: float | None
    why_not: str
    first_unresolved: str | None
    pairs: tuple[DuplexPair, ...]
    tilt_deg: float
    lines: int
    remarks: tuple[str, ...] = ()
    sigma_mm: float | None = None
    place: DuplexPlace | None = None
    profile: Profile | None = None
    shadows: tuple[PairShadow, ...] = ()


def measure_duplex(
    image: FloatImage,
    *,
    pitch_mm: float,
    diameters_mm: Sequence[float] = DIAMETERS_MM,
    limit_percent: float = LIMIT_PERCENT,
    fewest_lines: int = FEWEST_LINES,
) -> Duplex:
    """SR_b from a picture with one duplex wire gauge in it.

    ``image`` (rows, columns) is linear in dose, bad pixels filled, and shows the thick pairs and
    some that aren't resolved, the wires within 12° of its rows or columns; 2° to 5° are best.
    ``pitch_mm`` is the pixels' pitch where the gauge lies: the panel's for a gauge on the panel.
    ``diameters_mm`` are those of the gauge's wires from 1D on.

    The profile is taken before the pixels' sampling (see ``duplex_profile``), so where the wires
    fall on the pixels doesn't matter.
    """
    place = find_duplex(image, pitch_mm)
    if place is None:
        return Duplex(
            None, "no duplex wire gauge is seen: no slim parallel shadows", None, (), 0, 0
        )
    profile = duplex_profile(image, place, pitch_mm)
    crossed_px = abs(place.slope) * profile.lines
    if crossed_px < LEAST_CROSSED_PX:
        why = (
            f"the wires lean by {place.tilt_deg:.1f}° from the pixels: over {profile.lines} lines "
            f"they cross {crossed_px:.1f} pixels, and what lies between pixels stays unseen; turn "
            "the gauge by 2° to 5°"
        )
        return _without_figure(why, place, profile)
    shadows = find_pairs(profile, pitch_mm, diameters_mm)
    if not shadows:
        why = (
            "no run of pairs with a duplex gauge's distances is seen; is pitch_mm right, and are "
            "the thick pairs in the picture?"
        )
        return _without_figure(why, place, profile)
    pairs = tuple(
        DuplexPair(f"{one.element}D", diameters_mm[one.element - 1], one.dip_percent)
        for one in shadows
    )
    diameters = [pair.diameter_mm for pair in pairs]
    sr_b_mm, why = interpolate_sr_b(diameters, [pair.dip_percent for pair in pairs], limit_percent)
    unresolved = (p.name for p in pairs if p.dip_percent is None or p.dip_percent < limit_percent)
    remarks = []
    if profile.lines < fewest_lines:
        remarks.append(
            f"only {profile.lines} lines were averaged: {fewest_lines} or more are usual"
        )
    if not LEAST_TILT_DEG <= abs(place.tilt_deg) <= MOST_TILT_DEG:
        remarks.append(
            f"the wires lean by {place.tilt_deg:.1f}° from the pixels' rows or columns: 2° to 5° "
            "sample the profile evenly"
        )
    sigma_mm = None
    if sr_b_mm is not None:
        sigma_mm = _sigma_mm(image, place, shadows, pitch_mm, diameters_mm, limit_percent)
    return Duplex(
        sr_b_mm,
        why,
        next(unresolved, None),
        pairs,
        place.tilt_deg,
        profile.lines,
        tuple(remarks),
        sigma_mm,
        place,
        profile,
        shadows,
    )


def interpolate_sr_b(
    diameters_mm: Sequence[float],
    dips_percent: Sequence[float | None],
    limit_percent: float = LIMIT_PERCENT,
) -> tuple[float | None, str]:
    """(SR_b in mm, "") or (None, why not): the diameter whose dip is ``limit_percent``.

    Pairs in falling order of diameter. A parabola, dip against diameter, is fitted by least
    squares to the last two pairs above it and the next two below, of which a dip of zero counts
    only if no other is below. Its root within these pairs' range is SR_b.
    """
    dips = [0.0 if dip is None else dip for dip in dips_percent]
    below = next((index for index, dip in enumerate(dips) if dip < limit_percent), None)
    if below is None:
        return None, f"every pair is resolved: SR_b is finer than {diameters_mm[-1]:g} mm"
    if below < 2:
        return None, f"fewer than two pairs are resolved by {limit_percent:g} % or more"
    last = below + (2 if below + 1 < len(dips) and dips[below + 1] > 0 else 1)
    x, y = np.array(diameters_mm[below - 2 : last]), np.array(dips[below - 2 : last])
    curve = np.polynomial.Polynomial.fit(x, y, 2)
    # It has one there: of each two residuals on a side of 20 % one leads away from it.
    slack = 1e-9 * x[0]
    inside = [
        float(root.real)
        for root in (curve - limit_percent).roots()
        if abs(root.imag) < slack and x[-1] - slack <= root.real <= x[0] + slack
    ]
    return min(inside, key=lambda root: abs(root - (x[1] + x[2]) / 2)), ""


def _without_figure(why: str, place: DuplexPlace, profile: Profile) -> Duplex:
    return Duplex(None, why, None, (), place.tilt_deg, profile.lines, place=place, profile=profile)


def _sigma_mm(
    image: FloatImage,
    place: DuplexPlace,
    shadows: Sequence[PairShadow],
    pitch_mm: float,
    diameters_mm: Sequence[float],
    limit_percent: float,
) -> float | None:
    """SR_b's standard deviation by the jackknife: each eighth of the lines left out once.

    It holds for noise that neighbouring pixels share too, as long as it doesn't reach over an
    eighth of the lines. None where too few lines are left, or SR_b can't be told without some.
    """
    lines = place.last_row - place.first_row + 1
    dips = [one.dip_percent or 0.0 for one in shadows]
    below = next(index for index, dip in enumerate(dips) if dip < limit_percent)
    about = slice(max(0, below - _ABOUT), below + _ABOUT)  # no others tell SR_b
    edges = [round(lines * part / _PARTS) for part in range(_PARTS + 1)]
    found = []
    for first, last in pairwise(edges):
        if last == first:
            return None
        profile = duplex_profile(image, place, pitch_mm, without=slice(first, last))
        pairs = read_dips(profile, shadows, pitch_mm, diameters_mm, only=about)
        sr_b_mm, _ = interpolate_sr_b(
            [diameters_mm[one.element - 1] for one in pairs],
            [one.dip_percent for one in pairs],
            limit_percent,
        )
        if sr_b_mm is None:
            return None
        found.append(sr_b_mm)
    return float(np.sqrt((_PARTS - 1) * np.var(found)))
