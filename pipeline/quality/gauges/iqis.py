"""Every image quality indicator that the config tells of, read where it lies in the strip."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from statistics import median

import numpy as np

from pipeline.model import FloatImage, RawImage, StripGrid
from pipeline.quality.gauges.duplex_iqi import DuplexCriteria, DuplexReading, read_duplex
from pipeline.quality.gauges.iqi_box import Span, cut_box
from pipeline.quality.gauges.iqi_plans import IqiPlan
from pipeline.quality.gauges.wire_iqi import WireCriteria, WireReading, read_wires

_SR_B_PX = 1.2  # about a strip's SR_b where no duplex wire tells it
_WIRE, _DUPLEX = WireCriteria(), DuplexCriteria()
_MARGIN_MM = 2.0  # beyond the wires' ends, so that these are seen


@dataclass(frozen=True, slots=True)
class IqiRead:
    """What one indicator says, ``wire`` or ``duplex`` after its kind.

    ``why_not`` says why there is no result: nothing found, or nothing that can be told of what was
    found. ``s_mm`` and ``z_mm`` are where the middle of its wires was found, None if it wasn't;
    ``box_s_mm`` and ``box_z_mm`` the part of the strip that was looked at. Places in ``wire``
    count along the strip; round a ring they may lie past the datum, as the plan's do.
    """

    plan: IqiPlan
    why_not: str
    box_s_mm: Span
    box_z_mm: Span
    s_mm: float | None = None
    z_mm: float | None = None
    wire: WireReading | None = None
    duplex: DuplexReading | None = None

    @property
    def found(self) -> bool:
        """Whether it gives a result."""
        return not self.why_not


@dataclass(frozen=True, slots=True)
class _Spot:
    """A plan's gauge in the strip's measure: half its length across and along its wires, and how
    much larger than it is the strip shows it."""

    plan: IqiPlan
    scale: float
    half_across_mm: float
    half_along_mm: float

    def spans(self, more_across_mm: float = 0.0, more_along_mm: float = 0.0) -> tuple[Span, Span]:
        """From … to, along the scan and along the pipe, reaching further by so much."""
        across, along = self.half_across_mm + more_across_mm, self.half_along_mm + more_along_mm
        half_s, half_z = (across, along) if self.plan.direction == "s" else (along, across)
        s_mm, z_mm = self.plan.s_mm, self.plan.z_mm
        return (s_mm - half_s, s_mm + half_s), (z_mm - half_z, z_mm + half_z)


def read_iqis(
    values: RawImage | FloatImage,
    grid: StripGrid,
    plans: Sequence[IqiPlan],
    *,
    wire_diameters_mm: Mapping[int, float],
    duplex_table: Sequence[float],
    wire_criteria: WireCriteria = _WIRE,
    duplex_criteria: DuplexCriteria = _DUPLEX,
    source_side_scale: float = 1.0,
    sr_b_mm: float | None = None,
) -> tuple[IqiRead, ...]:
    """Each indicator's reading, in the order of the plans.

    ``values`` (``grid.shape``) are linear in dose, 0 where nothing is known. ``wire_diameters_mm``
    has the diameters of single wires by number, ``duplex_table`` those of the pairs from 1D on.
    ``source_side_scale`` is by how much the strip shows what lies on the source's side larger than
    what lies on the outer surface: radius over bore for a source on the axis. ``sr_b_mm`` says
    about how sharp the strip is, for the width of a wire's shadow; without it what the duplex
    wires say counts, or 1.2 pixels.
    """
    spots = [_spot(plan, source_side_scale, len(duplex_table)) for plan in plans]
    duplexes = [
        _duplex(values, grid, spot, duplex_table, duplex_criteria)
        if spot.plan.kind == "duplex"
        else None
        for spot in spots
    ]
    if sr_b_mm is None:
        told = [one.duplex.sr_b_mm for one in duplexes if one and one.duplex]
        known = [one for one in told if one is not None]
        sr_b_mm = median(known) if known else _SR_B_PX * grid.pitch_mm
    return tuple(
        duplex or _wires(values, grid, spot, wire_diameters_mm, wire_criteria, sr_b_mm)
        for spot, duplex in zip(spots, duplexes, strict=True)
    )


def _spot(plan: IqiPlan, source_side_scale: float, pairs: int) -> _Spot:
    scale = source_side_scale if plan.side == "source" else 1.0
    count = pairs if plan.kind == "duplex" else plan.wires
    return _Spot(plan, scale, scale * plan.spacing_mm * count / 2, scale * plan.length_mm / 2)


def _duplex(
    values: RawImage | FloatImage,
    grid: StripGrid,
    spot: _Spot,
    table: Sequence[float],
    criteria: DuplexCriteria,
) -> IqiRead:
    plan = spot.plan
    if not table:
        return IqiRead(plan, "the profile has no pairs of wires", *spot.spans(plan.search_mm))
    more = plan.search_mm + _MARGIN_MM
    box = cut_box(values, grid, *spot.spans(more, more))
    if not box.reaches(*spot.spans(-spot.half_across_mm, -spot.half_along_mm)):
        return _outside(spot)
    picture = box.values.astype(np.float32)
    reading = read_duplex(
        picture, pitch_mm=grid.pitch_mm / spot.scale, diameters_mm=table, criteria=criteria
    )
    s_mm = z_mm = None
    if reading.middle_px is not None:
        row, column = reading.middle_px
        s_mm = box.s_first_mm + column * grid.pitch_mm
        z_mm = box.z_first_mm + row * grid.pitch_mm
    return IqiRead(plan, reading.why_not, box.s_mm, box.z_mm, s_mm, z_mm, duplex=reading)


def _wires(
    values: RawImage | FloatImage,
    grid: StripGrid,
    spot: _Spot,
    table: Mapping[int, float],
    criteria: WireCriteria,
    sr_b_mm: float,
) -> IqiRead:
    plan = spot.plan
    box = cut_box(values, grid, *spot.spans(plan.search_mm))
    unknown = [number for number in plan.numbers if number not in table]
    if unknown:
        why = f"the profile has no diameter for W{unknown[0]}"
        return IqiRead(plan, why, *spot.spans(plan.search_mm))
    # Across the wires it must be there; of their length what is there is read.
    if not box.reaches(*spot.spans(-spot.scale * plan.spacing_mm / 2, -spot.half_along_mm)):
        return _outside(spot)
    along_s = plan.direction == "s"
    picture = box.values if along_s else box.values.T
    first_mm, told_mm = (box.s_first_mm, plan.s_mm) if along_s else (box.z_first_mm, plan.z_mm)
    along_mm = box.z_first_mm if along_s else box.s_first_mm
    found = read_wires(
        picture,
        middle_px=(told_mm - first_mm) / grid.pitch_mm,
        pitch_mm=grid.pitch_mm / spot.scale,
        diameters_mm={number: table[number] for number in plan.numbers},
        spacing_mm=plan.spacing_mm,
        search_mm=plan.search_mm / spot.scale,
        sr_b_mm=sr_b_mm / spot.scale,
        criteria=criteria,
    )
    reading = _in_strip(found, first_mm, along_mm, spot.scale)
    across = along = None
    if reading.thinnest is not None:
        across = (reading.wires[0].at_mm + reading.wires[-1].at_mm) / 2
        along = sum(reading.along_mm) / 2
    s_mm, z_mm = (across, along) if along_s else (along, across)
    return IqiRead(plan, reading.why_not, box.s_mm, box.z_mm, s_mm, z_mm, wire=reading)


def _outside(spot: _Spot) -> IqiRead:
    spans = spot.spans()
    return IqiRead(spot.plan, "it lies where the strip shows nothing, or reaches out of it", *spans)


def _in_strip(found: WireReading, across_mm: float, along_mm: float, scale: float) -> WireReading:
    """The reading with its places counted along the strip."""
    return replace(
        found,
        wires=tuple(replace(one, at_mm=across_mm + scale * one.at_mm) for one in found.wires),
        along_mm=(along_mm + scale * found.along_mm[0], along_mm + scale * found.along_mm[1]),
        at_mm=across_mm + scale * found.at_mm,
    )
