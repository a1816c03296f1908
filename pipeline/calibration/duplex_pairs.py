"""The pairs of a duplex wire gauge in a profile across its wires, and each pair's dip."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.calibration.duplex_place import BINS_PER_PX, Profile
from pipeline.model import FloatArray

# ISO 19232-5, as reproduced on two public pages of gauge sellers.
DIAMETERS_MM = (0.8, 0.63, 0.5, 0.4, 0.32, 0.25, 0.2, 0.16, 0.13, 0.1, 0.08, 0.063, 0.05)

_DISTANCE_TOLERANCE = 0.1  # of two wires' distance; the next pair's is 20 to 25 % away
_FEWEST_PAIRS = 3
_SEEN = 4.0  # standard deviations that a pair's shadow must stand out by
_REAL_DIP = 2.0  # and its dip, to count as one
_SMOOTH_MM = 0.05
_GROUND_MM = 5.0
_STEPS = np.linspace(0.3, 1.7, 29)  # diameters to each side: where a shadow's middle may be
_TRIED = np.concatenate([-_STEPS, _STEPS])
_BETWEEN = np.linspace(0, 1, 41)
_LEAST_DETERMINANT = 1e-6  # leaves some nine digits


@dataclass(frozen=True, slots=True)
class PairShadow:
    """Element number (1 is the thickest pair), place in the profile, and dip in per cent.

    ``dip_percent`` is 0 where the shadows are one, None where none is seen.
    """

    element: int
    centre_mm: float
    dip_percent: float | None


def find_pairs(
    profile: Profile, pitch_mm: float, diameters_mm: Sequence[float] = DIAMETERS_MM
) -> tuple[PairShadow, ...]:
    """The pairs in falling order of diameter, none left out between; empty if it is no gauge.

    The thick pairs are known by the distance of their wires, twice the diameter; the thinner ones
    follow at about the same step as those before them. What is beyond the profile's end is not
    told of.
    """
    at, depth = _depth(profile, pitch_mm)
    wires = _wires(at, depth)
    run = max((_matching_run(wires[::way], diameters_mm) for way in (1, -1)), key=len)
    if len(run) < _FEWEST_PAIRS:
        return ()
    centres = dict(run)
    numbers = sorted(centres)
    step = centres[numbers[-1]] - centres[numbers[-2]]
    noise = _noise(profile)
    lost: set[int] = set()
    for number in range(numbers[-1] + 1, len(diameters_mm) + 1):
        expected = centres[number - 1] + step
        if not at[0] + 0.5 * abs(step) < expected < at[-1] - 0.5 * abs(step):
            break
        found = _shadow_near(at, depth, expected, 0.3 * abs(step), noise)
        if found is None:
            lost.add(number)
        else:
            step = found - centres[number - 1]
        centres[number] = expected if found is None else found
    pairs = tuple(
        PairShadow(number, centre, None if number in lost else 0.0)
        for number, centre in sorted(centres.items())
    )
    return read_dips(profile, pairs, pitch_mm, diameters_mm)


def read_dips(
    profile: Profile,
    shadows: Sequence[PairShadow],
    pitch_mm: float,
    diameters_mm: Sequence[float] = DIAMETERS_MM,
    *,
    only: slice = slice(None),
) -> tuple[PairShadow, ...]:
    """The same pairs with their dips in this profile; those that aren't seen stay without, and
    those but for ``only`` some keep theirs."""
    chosen = range(*only.indices(len(shadows)))
    gap = abs(shadows[-1].centre_mm - shadows[-2].centre_mm) / 2
    return tuple(
        shadow
        if shadow.dip_percent is None or number not in chosen
        else PairShadow(
            shadow.element,
            shadow.centre_mm,
            _dip(profile, shadow.centre_mm, diameters_mm[shadow.element - 1], gap, pitch_mm),
        )
        for number, shadow in enumerate(shadows)
    )


def _depth(profile: Profile, pitch_mm: float) -> tuple[FloatArray, FloatArray]:
    """(places in even steps, about how dark it is there in parts of the ground)."""
    per_mm = BINS_PER_PX / pitch_mm
    at = np.arange(profile.at_mm[0], profile.at_mm[-1], 1 / per_mm)
    even = np.interp(at, profile.at_mm, profile.values)
    smooth = _blurred(even, _SMOOTH_MM * per_mm)
    window = 2 * round(_GROUND_MM / 2 * per_mm) + 1
    ground = _blurred(_closed(smooth, window), window / 4)
    return at, 1 - smooth / ground


def _blurred(values: FloatArray, sigma: float) -> FloatArray:
    """Smoothed by a Gaussian out to four standard deviations; the ends go on evenly."""
    import cv2  # noqa: PLC0415

    size = 2 * int(4 * sigma + 0.5) + 1
    found = cv2.GaussianBlur(
        values[np.newaxis], (size, 1), sigmaX=sigma, borderType=cv2.BORDER_REPLICATE
    )
    return np.asarray(found[0], dtype=np.float64)


def _closed(values: FloatArray, window: int) -> FloatArray:
    """What is low and narrower than the window filled: morphological closing."""
    import cv2  # noqa: PLC0415

    found = cv2.morphologyEx(values[np.newaxis], cv2.MORPH_CLOSE, np.ones((1, window), np.uint8))
    return np.asarray(found[0], dtype=np.float64)


def _noise(profile: Profile) -> float:
    """Standard deviation of the smoothed profile's noise, in parts of the ground."""
    steps = np.diff(profile.values)
    sigma = 1.4826 * float(np.median(np.abs(steps - np.median(steps)))) / np.sqrt(2)
    return float(sigma / np.median(profile.values))


def _wires(at: FloatArray, depth: FloatArray) -> FloatArray:
    """Places of all single shadows, rising: the middle of what is darker than 80 % of each top."""
    tops = _tops(depth, 0.05 * float(depth.max()))
    places = []
    for top in tops:
        dark = depth >= 0.8 * depth[top]
        first = top - int(np.argmin(dark[top::-1])) + 1 if not dark[: top + 1].all() else 0
        last = top + int(np.argmin(dark[top:])) if not dark[top:].all() else dark.size
        weight = depth[first:last] - 0.8 * depth[top]
        places.append(float(np.average(at[first:last], weights=np.maximum(weight, 1e-9))))
    return np.unique(np.round(places, 6))


def _tops(values: FloatArray, prominence: float) -> list[int]:
    """Where maxima lie, of a level one the middle, that stand out by ``prominence`` over the higher
    of the two valleys that part them from higher ground or the end."""
    change = np.flatnonzero(np.diff(values))
    first = np.concatenate([[0], change + 1])
    last = np.concatenate([change, [values.size - 1]])
    level = values[first]
    inner = np.flatnonzero((level[1:-1] > level[:-2]) & (level[1:-1] > level[2:])) + 1
    found = []
    for run in inner.tolist():
        higher = np.flatnonzero(level > level[run])
        cut = int(np.searchsorted(higher, run))
        low = int(higher[cut - 1]) if cut else 0
        high = int(higher[cut]) if cut < higher.size else level.size - 1
        valley = max(level[low : run + 1].min(), level[run : high + 1].min())
        if level[run] - valley >= prominence:
            found.append(int(first[run] + last[run]) // 2)
    return found


def _matching_run(wires: FloatArray, diameters_mm: Sequence[float]) -> list[tuple[int, float]]:
    """The longest run of (element number, centre) whose wire distances are a gauge's, in order."""
    best: list[tuple[int, float]] = []
    for start in range(len(wires) - 1):
        for element in range(1, len(diameters_mm)):
            run: list[tuple[int, float]] = []
            for number, left in enumerate(range(start, len(wires) - 1, 2), start=element):
                if number > len(diameters_mm):
                    break
                distance = abs(wires[left + 1] - wires[left])
                expected = 2 * diameters_mm[number - 1]
                if abs(distance / expected - 1) > _DISTANCE_TOLERANCE:
                    break
                run.append((number, float(wires[left] + wires[left + 1]) / 2))
            if len(run) > len(best):
                best = run
    return best


def _shadow_near(
    at: FloatArray, depth: FloatArray, expected: float, reach: float, noise: float
) -> float | None:
    """The middle of the shadow within ``reach`` of where it is expected, if one stands out."""
    near = np.flatnonzero(np.abs(at - expected) < reach)
    top = near[int(np.argmax(depth[near]))]
    level = float(np.median(depth[near]))
    height = float(depth[top]) - level
    if height < _SEEN * noise:
        return None
    first = last = int(top)
    while first > near[0] and depth[first - 1] > level + 0.5 * height:
        first -= 1
    while last < near[-1] and depth[last + 1] > level + 0.5 * height:
        last += 1
    part = slice(first, last + 1)
    return float(np.average(at[part], weights=depth[part] - level))


def _dip(profile: Profile, centre: float, diameter: float, gap: float, pitch_mm: float) -> float:
    """The dip in per cent of the pair at ``centre``; ``gap`` mm to each side belong to it.

    The ground is the line through what lies beside the pair. A, B and C are read from parabolas
    fitted to 0.6 diameters, which leaves a sine of the pair's period right to 0.2 %. A dip that
    noise alone often makes is 0: otherwise the thinnest pairs, whose shadows have long been one,
    would pull at the curve through the dips.
    """
    reach = max(gap, 2.2 * diameter + 3 * pitch_mm / BINS_PER_PX)
    first, end = np.searchsorted(profile.at_mm, (centre - reach, centre + reach))
    x, values = profile.at_mm[first:end] - centre, profile.values[first:end]
    away = np.abs(x)
    beside = (away < gap) & (away > min(1.5 * diameter + 4 * pitch_mm, 0.8 * gap))
    level, slope, middle = _line(x[beside], values[beside])
    part = away < 2.2 * diameter + 3 * pitch_mm / BINS_PER_PX
    depth = level + slope * (x[part] - middle) - values[part]
    half = max(0.3 * diameter, 2.5 * pitch_mm / BINS_PER_PX)
    both = smoothed(x[part], depth, _TRIED * diameter, half)
    left, right = both[: _STEPS.size], both[_STEPS.size :]
    a, b = int(np.argmax(left)), int(np.argmax(right))
    if a == 0 or b == 0:
        return 0.0
    between = (_BETWEEN * (_STEPS[a] + _STEPS[b]) - _STEPS[a]) * diameter
    lowest = float(smoothed(x[part], depth, between, half).min())
    total = float(left[a] + right[b])
    # Noise of a parabola's middle is 1.5 times that of the mean of its points; of A + B − 2C, √6.
    scatter = float(np.std(values[beside] - level - slope * (x[beside] - middle)))
    points = max(3.0, 2 * half * BINS_PER_PX / pitch_mm)
    if total - 2 * lowest < _REAL_DIP * 1.5 * np.sqrt(6 / points) * scatter:
        return 0.0
    return min(max(0.0, 100 * (total - 2 * lowest) / total), 100.0)


def _line(x: FloatArray, y: FloatArray) -> tuple[float, float, float]:
    """(level in the middle, slope, middle) of the straight line through points, least squares."""
    middle = float(x.mean())
    away = x - middle
    square = float(away @ away)
    return float(y.mean()), float(away @ y) / square if square else 0.0, middle


def smoothed(x: FloatArray, y: FloatArray, places: FloatArray, half: float) -> FloatArray:
    """At every place the value of the parabola that fits the points within ``half`` of it best.

    ``x`` rises. Where fewer than three points are near, that of all parabolas through them with the
    least coefficients (in halves from the place).
    """
    first = np.searchsorted(x, places - half * (1 + 1e-12), side="left")
    end = np.searchsorted(x, places + half * (1 + 1e-12), side="right")
    at = first[:, np.newaxis] + np.arange(max(int((end - first).max()), 1))
    near = at < end[:, np.newaxis]
    at = np.minimum(at, x.size - 1)
    away = np.where(near, (x[at] - places[:, np.newaxis]) / half, 0.0)
    square = away * away
    value = np.where(near, y[at], 0.0)
    number = near.sum(axis=1).astype(np.float64)
    one, two = away.sum(axis=1), square.sum(axis=1)
    three, four = (square * away).sum(axis=1), (square * square).sum(axis=1)
    t0, t1, t2 = value.sum(axis=1), (value * away).sum(axis=1), (value * square).sum(axis=1)
    # The constant term by Cramer's rule, but where points that clump together make it inexact.
    c0, c1, c2 = two * four - three**2, two * three - one * four, one * three - two**2
    known = number * c0 + one * c1 + two * c2
    found = np.zeros(places.size)
    good = (number >= 3) & (known > _LEAST_DETERMINANT)
    found[good] = (t0 * c0 + t1 * c1 + t2 * c2)[good] / known[good]
    for place in np.flatnonzero(~good & (number > 0)):
        here = near[place]
        terms = np.vander(away[place, here], 3)
        found[place] = np.linalg.lstsq(terms, value[place, here], rcond=None)[0][2]
    return found
