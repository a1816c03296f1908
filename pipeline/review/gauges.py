"""Image quality indicators read where the reviewer drew a line across them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import numpy as np
from pydantic import ValidationError

from pipeline.quality.asked.known import Known, StripPicture
from pipeline.quality.gauges.duplex_iqi import DuplexReading, read_duplex
from pipeline.quality.gauges.iqi_box import cut_box
from pipeline.quality.gauges.iqi_plans import IqiPlan
from pipeline.quality.gauges.iqis import IqiRead
from pipeline.quality.image.image_quality import duplex_reading_of, read_gauges
from pipeline.review.answers import BAD, RequestError
from pipeline.review.mark_rules import number
from pipeline.review.weld import OpenWeld, Part

_CHOICES = ("set", "wires", "spacing_mm", "direction", "side")
_MOST_SEARCH_MM = 50.0
_MOST_LENGTH_MM = 100.0
_WIRE_LENGTH_MM, _DUPLEX_LENGTH_MM = 25.0, 8.0  # less than the wires are long does no harm
_MARGIN_MM = 2.0  # past both ends of the line
_LEAST_PX = 16

Ends = tuple[float, float, float, float]
"""(s0, z0, s1, z1)"""


def read_duplex_across(
    weld: OpenWeld, ends: Ends, known: Known, told: Mapping[str, Any]
) -> DuplexReading:
    """The duplex wire gauge that the line crosses; nothing else slim may lie beside it.

    ``ends`` are a line across all pairs, or corners of a box round them.
    """
    told = _as_declared("duplex", weld, ends, known, told)
    part, direction = _part_about(weld, ends, told, _DUPLEX_LENGTH_MM, _MARGIN_MM)
    plan = _plan("duplex", part, {"direction": direction, **told})
    grid, (table, criteria) = part.grid, duplex_reading_of(known.profile)
    far_mm = (grid.columns * grid.pitch_mm, grid.rows * grid.pitch_mm)
    box = cut_box(
        part.values,
        grid,
        (grid.s_first_mm, grid.s_first_mm + far_mm[0]),
        (grid.z_first_mm, grid.z_first_mm + far_mm[1]),
    )
    if min(box.values.shape) < _LEAST_PX:
        raise RequestError(BAD, "too little of the strip is known there", expected=weld.extent())
    scale = known.source_side_scale if plan.side == "source" else 1.0
    return read_duplex(
        box.values.astype(np.float32),
        pitch_mm=grid.pitch_mm / scale,
        diameters_mm=table,
        criteria=criteria,
    )


def read_wires_across(weld: OpenWeld, ends: Ends, known: Known, told: Mapping[str, Any]) -> IqiRead:
    """The single-wire gauge that the line crosses; ``told`` may have the keys of a config's
    ``[[iqi]]``: set, wires, spacing_mm, length_mm, direction, side. What isn't told is as the
    config declares the gauge there, or usual.

    ``ends`` are a line across all wires, or corners of a box round them.
    """
    told = _as_declared("wire", weld, ends, known, told)
    length_mm = number(told, "length_mm") if "length_mm" in told else _WIRE_LENGTH_MM
    part, direction = _part_about(weld, ends, told, length_mm, _MARGIN_MM)
    plan = _plan("wire", part, {"direction": direction, **told})
    scale = known.source_side_scale if plan.side == "source" else 1.0
    need_mm = scale * plan.spacing_mm * plan.wires
    across_mm = _extent(part, plan.direction)
    if across_mm < need_mm + plan.spacing_mm:  # from the first to the last wire: half as much more
        more_mm = (need_mm + plan.spacing_mm - across_mm) / 2
        part, _ = _part_about(weld, ends, told, length_mm, _MARGIN_MM + more_mm)
        across_mm = _extent(part, plan.direction)
    along_mm = _extent(part, "z" if plan.direction == "s" else "s")
    plan = replace(
        plan,
        search_mm=min(max((across_mm - need_mm) / 2, 1.0), _MOST_SEARCH_MM),
        length_mm=min(max(along_mm / scale, 2.0), 100.0),
    )
    return read_gauges(StripPicture(part.values, part.grid), replace(known, iqis=(plan,)))[0]


def _as_declared(
    kind: str, weld: OpenWeld, ends: Ends, known: Known, told: Mapping[str, Any]
) -> Mapping[str, Any]:
    """What is told, and before it what the config declares of the gauge that the line crosses."""
    middle_s, middle_z = (ends[0] + ends[2]) / 2, (ends[1] + ends[3]) / 2
    for plan in known.iqis:
        half_mm = max(plan.length_mm, plan.spacing_mm * plan.wires) / 2
        away_mm = abs(weld.places.way(middle_s, plan.s_mm)), abs(middle_z - plan.z_mm)
        if plan.kind == kind and max(away_mm) <= half_mm:
            names = _CHOICES if kind == "duplex" else (*_CHOICES, "length_mm")
            return {**{name: getattr(plan, name) for name in names}, **told}
    return told


def _part_about(
    weld: OpenWeld, ends: Ends, told: Mapping[str, Any], length_mm: float, margin_mm: float
) -> tuple[Part, str]:
    """The part about a line across wires, as high as they are long; and along what they follow."""
    s0, z0, s1, z1 = ends
    direction = told.get("direction", "s" if abs(s1 - s0) >= abs(z1 - z0) else "z")
    if direction not in ("s", "z") or not 0 < length_mm <= _MOST_LENGTH_MM:
        raise RequestError(BAD, "direction or length_mm is wrong", expected="s or z; 0 to 100 mm")
    more = [margin_mm, max(length_mm - abs(z1 - z0), 0.0) / 2]
    if direction == "z":
        more = [max(length_mm - abs(s1 - s0), 0.0) / 2, margin_mm]
    return (
        weld.part(
            (min(s0, s1) - more[0], max(s0, s1) + more[0]),
            (min(z0, z1) - more[1], max(z0, z1) + more[1]),
        ),
        direction,
    )


def _extent(part: Part, direction: str) -> float:
    pixels = part.grid.columns if direction == "s" else part.grid.rows
    return pixels * part.grid.pitch_mm


def _plan(kind: str, part: Part, told: Mapping[str, Any]) -> IqiPlan:
    grid = part.grid
    chosen = {name: told[name] for name in _CHOICES if name in told}
    try:
        return IqiPlan(
            kind,  # type: ignore[arg-type]
            s_mm=grid.s_first_mm + (grid.columns - 1) / 2 * grid.pitch_mm,
            z_mm=grid.z_first_mm + (grid.rows - 1) / 2 * grid.pitch_mm,
            **chosen,
        )
    except ValidationError as error:
        fault = error.errors()[0]
        where = ".".join(map(str, fault["loc"]))
        raise RequestError(BAD, f"{where}: {fault['msg']}", expected="as in [[iqi]]") from error
