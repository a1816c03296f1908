"""Which wires of a single-wire gauge are seen, and by how much each stands out."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from pipeline.model import FloatArray
from pipeline.quality.gauges.wire_fit import WireFit, extent, fit_wires, most_even, pixel_noise
from pipeline.quality.gauges.wire_place import find_wires, weighted_median
from pipeline.quality.gauges.wire_profile import WireFilter, lean, make_bands, wire_filters

_GAUGE_STANDS_OUT = 6.0
"""Standard deviations. The likeliest of some 30,000 places in noise alone reaches 4.7 in one of 200
pictures."""
_UNLIKE = 0.5  # of the depth that a wire should have: sharpness told wrong does 0.4 at most
_UNLIKE_SIGMAS = 5.0


@dataclass(frozen=True, slots=True)
class WireCriteria:
    """When a wire counts as seen. The values are a profile's; the defaults are from memory.

    ``least_significance``: its depth over ``least_length_mm`` in standard deviations of what the
    ground shows there (Rose's criterion); ``least_length_mm``: the continuous length that must be
    seen, in metal of even density.
    """

    least_significance: float = 5.0
    least_length_mm: float = 10.0


@dataclass(frozen=True, slots=True)
class Wire:
    """One wire: ``depth`` is by which part of the ground it is darker, ``cnr`` the same over the
    noise of a single pixel, ``significance`` over the noise of the averaged length."""

    number: int
    diameter_mm: float
    at_mm: float
    depth: float
    depth_sigma: float
    cnr: float
    seen: bool

    @property
    def significance(self) -> float:
        """By how many standard deviations it stands out of the ground."""
        return self.depth / self.depth_sigma


@dataclass(frozen=True, slots=True)
class WireReading:
    """What a single-wire gauge says.

    ``thinnest`` is the number of the thinnest wire that is seen with all thicker ones; None where
    none is, and ``why_not`` says why. ``surest`` is the thinnest that would be seen with its depth
    two standard deviations less. ``at_mm``, ``profile``: the mean depth over the length that was
    read, across the wires. Places count from the picture's first column and row.
    """

    thinnest: int | None
    why_not: str
    surest: int | None = None
    wires: tuple[Wire, ...] = ()
    along_mm: tuple[float, float] = (0.0, 0.0)
    lean_deg: float = 0.0
    remarks: tuple[str, ...] = ()
    at_mm: FloatArray = field(default_factory=lambda: np.zeros(0))
    profile: FloatArray = field(default_factory=lambda: np.zeros(0))


def read_wires(
    values: FloatArray,
    *,
    middle_px: float,
    pitch_mm: float,
    diameters_mm: Mapping[int, float],
    spacing_mm: float,
    search_mm: float,
    sr_b_mm: float,
    criteria: WireCriteria,
) -> WireReading:
    """Read the gauge whose middle lies within ``search_mm`` of column ``middle_px``.

    ``values`` (rows along the wires, columns across them) are gray values linear in dose, all
    above 0; the rows are the wires' told length, the columns should reach past the gauge by
    ``search_mm`` and half a spacing. ``diameters_mm`` has each wire's number, thickest first.
    ``sr_b_mm`` is about the picture's sharpness: it sets how wide a wire's shadow is looked for.

    The gauge is found as a whole, from all wires. Read is the part of the wires, as long as the
    criterion asks, over which the ground is most even; the choice doesn't look at the wires. A
    wire's depth is a least-squares fit of its blurred shape on a straight ground; its noise is the
    scatter of the same fit wherever no wire is, so what texture there is counts as noise.
    """
    numbers = list(diameters_mm)
    diameters = [diameters_mm[number] for number in numbers]
    filters = wire_filters(diameters, spacing_mm=spacing_mm, sr_b_mm=sr_b_mm, pitch_mm=pitch_mm)
    bands = make_bands(values, pitch_mm)
    place = find_wires(
        bands,
        filters,
        middle_px=middle_px,
        spacing_px=spacing_mm / pitch_mm,
        search_px=search_mm / pitch_mm,
        pitch_mm=pitch_mm,
    )
    if place.significance < _GAUGE_STANDS_OUT:
        return WireReading(
            None,
            "no set of wires at these distances stands out of the ground; is its place right, and "
            "its set and spacing?",
        )
    wanted = max(1, round(criteria.least_length_mm / (bands.rows * pitch_mm)))
    first, last = most_even(bands, extent(bands, filters, place), wanted)
    part = bands.part(first, last)
    lines = -np.log(values[first * bands.rows : last * bands.rows])
    lines -= np.median(lines, axis=1, keepdims=True)
    fit = fit_wires(
        lines,
        filters,
        place.at_px + place.slope * float(part.at_px.mean() - bands.at_px.mean()),
        place.slope,
        spacing_px=spacing_mm / pitch_mm,
        pitch_mm=pitch_mm,
    )
    if not _is_gauge(fit, filters):
        return WireReading(
            None,
            "what stands out there doesn't get fainter as the wires of the set get thinner: other "
            "lead or wires lie there, or it is another set",
        )
    stands_out = fit.throughout & (fit.depth >= criteria.least_significance * fit.sigma)
    surely = stands_out & (fit.depth >= (criteria.least_significance + 2) * fit.sigma)
    seen, sure = _leading(stands_out), _leading(surely)
    remarks = []
    if last - first < wanted:
        remarks.append(
            f"only {(last - first) * bands.rows * pitch_mm:.0f} mm of the wires could be read; "
            f"{criteria.least_length_mm:g} mm are asked for"
        )
    late = np.flatnonzero(stands_out[seen:])
    if late.size:
        remarks.append(
            f"W{numbers[seen + int(late[-1])]} stands out although W{numbers[seen]} doesn't: read "
            "up to the first wire that isn't seen"
        )
    noise = pixel_noise(values, bands, first, last)
    wires = tuple(
        Wire(
            number,
            diameters[index],
            float(fit.at_px[index]) * pitch_mm,
            float(fit.depth[index]),
            float(fit.sigma[index]),
            float(fit.depth[index]) / noise,
            index < seen,
        )
        for index, number in enumerate(numbers)
    )
    profile = lean(part, np.array([fit.slope]), float(part.at_px.mean()), None)[0]
    band_mm = bands.rows * pitch_mm
    return WireReading(
        numbers[seen - 1] if seen else None,
        "" if seen else f"not even the thickest wire, W{numbers[0]}, is seen",
        numbers[sure - 1] if sure else None,
        wires,
        (first * band_mm, last * band_mm),
        math.degrees(math.atan(fit.slope)),
        tuple(remarks),
        np.arange(profile.size, dtype=np.float64) * pitch_mm,
        profile,
    )


def _is_gauge(fit: WireFit, filters: Sequence[WireFilter]) -> bool:
    """Whether all wires but one have about the depth that one scale for all lets expect."""
    thickness = np.array([one.peak_mm for one in filters])
    expected = thickness * max(
        0.0, float(weighted_median(fit.depth / thickness, (thickness / fit.sigma) ** 2))
    )
    off = np.abs(fit.depth - expected) > _UNLIKE_SIGMAS * fit.sigma + _UNLIKE * expected
    return int(np.count_nonzero(off)) <= 1


def _leading(seen: np.ndarray) -> int:
    """How many from the first on are seen without one between that isn't."""
    return int(np.argmin(seen)) if not seen.all() else seen.size
