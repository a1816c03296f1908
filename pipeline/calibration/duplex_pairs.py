"""The pairs of a duplex wire gauge in a profile across its wires, and each pair's dip."""

from __future__ import annotations

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


@dataclass(frozen=True, slots=True)
class PairShadow:
    """Element number (1 is the thickest pair), place in the profile, and dip in per cent.

    ``dip_percent`` is 0 where the shadows are one, None where none is seen.
    """

    element: int
    centre_mm: float
    dip_percent: float | None


def find_pairs(profile: Profile, pitch_mm: float) -> tuple[PairShadow, ...]:
    """The pairs in falling order of diameter, none left out between; empty if it is no gauge.

    The thick pairs are known by the distance of their wires, twice the diameter; the thinner ones
    follow at about the same step as those before them. What is beyond the profile's end is not
    told of.
    """
    at, depth = _depth(profile, pitch_mm)
    wires = _wires(at, depth)
    run = max((_matching_run(wires[::way]) for way in (1, -1)), key=len)
    if len(run) < _FEWEST_PAIRS:
        return ()
    centres = dict(run)
    numbers = sorted(centres)
    step = centres[numbers[-1]] - centres[numbers[-2]]
    noise = _noise(profile)
    lost: set[int] = set()
    for number in range(numbers[-1] + 1, len(DIAMETERS_MM) + 1):
        expected = centres[number - 1] + step
        if not at[0] + 0.5 * abs(step) < expected < at[-1] - 0.5 * abs(step):
            break
        found = _shadow_near(at, depth, expected, 0.3 * abs(step), noise)
        if found is None:
            lost.add(number)
        else:
            step = found - centres[number - 1]
        centres[number] = expected if found is None else found
    gap = abs(step) / 2
    return tuple(
        PairShadow(
            number,
            centre,
            None
            if number in lost
            else _dip(profile, centre, DIAMETERS_MM[number - 1], gap, pitch_mm),
        )
        for number, centre in sorted(centres.items())
    )


def _depth(profile: Profile, pitch_mm: float) -> tuple[FloatArray, FloatArray]:
    """(places in even steps, about how dark it is there in parts of the ground)."""
    from scipy.ndimage import gaussian_filter1d, grey_closing  # noqa: PLC0415

    per_mm = BINS_PER_PX / pitch_mm
    at = np.arange(profile.at_mm[0], profile.at_mm[-1], 1 / per_mm)
    even = np.interp(at, profile.at_mm, profile.values)
    smooth = gaussian_filter1d(even, _SMOOTH_MM * per_mm, mode="nearest")
    window = 2 * round(_GROUND_MM / 2 * per_mm) + 1
    ground = gaussian_filter1d(
        grey_closing(smooth, size=window, mode="nearest"), window / 4, mode="nearest"
    )
    return at, 1 - smooth / ground


def _noise(profile: Profile) -> float:
    """Standard deviation of the smoothed profile's noise, in parts of the ground."""
    steps = np.diff(profile.values)
    sigma = 1.4826 * float(np.median(np.abs(steps - np.median(steps)))) / np.sqrt(2)
    return float(sigma / np.median(profile.values))


def _wires(at: FloatArray, depth: FloatArray) -> FloatArray:
    """Places of all single shadows, rising: the middle of what is darker than 80 % of each top."""
    from scipy.signal import find_peaks  # noqa: PLC0415

    tops, _ = find_peaks(depth, prominence=0.05 * float(depth.max()))
    places = []
    for top in tops:
        dark = depth >= 0.8 * depth[top]
        first = top - int(np.argmin(dark[top::-1])) + 1 if not dark[: top + 1].all() else 0
        last = top + int(np.argmin(dark[top:])) if not dark[top:].all() else dark.size
        weight = depth[first:last] - 0.8 * depth[top]
        places.append(float(np.average(at[first:last], weights=np.maximum(weight, 1e-9))))
    return np.unique(np.round(places, 6))


def _matching_run(wires: FloatArray) -> list[tuple[int, float]]:
    """The longest run of (element number, centre) whose wire distances are a gauge's, in order."""
    best: list[tuple[int, float]] = []
    for start in range(len(wires) - 1):
        for element in range(1, len(DIAMETERS_MM)):
            run: list[tuple[int, float]] = []
            for number, left in enumerate(range(start, len(wires) - 1, 2), start=element):
                if number > len(DIAMETERS_MM):
                    break
                distance = abs(wires[left + 1] - wires[left])
                expected = 2 * DIAMETERS_MM[number - 1]
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
    x, values = profile.at_mm - centre, profile.values
    beside = (np.abs(x) < gap) & (np.abs(x) > min(1.5 * diameter + 4 * pitch_mm, 0.8 * gap))
    ground = np.polynomial.Polynomial.fit(x[beside], values[beside], 1)
    part = np.abs(x) < 2.2 * diameter + 3 * pitch_mm / BINS_PER_PX
    x, depth = x[part], (ground(x) - values)[part]
    half = max(0.3 * diameter, 2.5 * pitch_mm / BINS_PER_PX)

    def smooth(place: float) -> float:
        near = np.abs(x - place) <= half
        terms = np.vander((x[near] - place) / half, 3)
        return float(np.linalg.lstsq(terms, depth[near], rcond=None)[0][2])

    steps = np.linspace(0.3, 1.7, 29) * diameter
    left, right = ([smooth(side * s) for s in steps] for side in (-1, 1))
    a, b = int(np.argmax(left)), int(np.argmax(right))
    if a == 0 or b == 0:
        return 0.0
    between = np.linspace(-steps[a], steps[b], 41)
    lowest = min(smooth(place) for place in between)
    total = left[a] + right[b]
    # Noise of a parabola's middle is 1.5 times that of the mean of its points; of A + B − 2C, √6.
    scatter = float(np.std(values[beside] - ground(profile.at_mm[beside] - centre)))
    points = max(3.0, 2 * half * BINS_PER_PX / pitch_mm)
    if total - 2 * lowest < _REAL_DIP * 1.5 * np.sqrt(6 / points) * scatter:
        return 0.0
    return min(max(0.0, 100 * (total - 2 * lowest) / total), 100.0)
