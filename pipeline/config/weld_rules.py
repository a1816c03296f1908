"""Rules between the keys of a weld config: what can't be, in the world of pipe, source and panel.

Lengths in mm. Symbols as in the description of the axes: outer radius R, panel at L = R + standoff.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import TYPE_CHECKING

import numpy as np

from pipeline.config.faults import Fault
from pipeline.config.panel import Panel, binary_faults
from pipeline.config.weld_sections import Frames, Geometry, ScanPath, Strip, Weld
from pipeline.geometry import Arrangement, ScanGeometry, unproject

if TYPE_CHECKING:
    from pipeline.config.stage_tables import Stages


def wall_faults(weld: Weld) -> Iterator[Fault]:
    """The wall must leave a bore."""
    if weld.wall_mm >= weld.radius_mm:
        yield Fault(
            ("weld", "wall_mm"),
            f"must be less than half of weld.diameter_mm, {weld.radius_mm:g}: "
            "the pipe would have no bore",
            weld.wall_mm,
        )


def source_faults(weld: Weld, geometry: Geometry) -> Iterator[Fault]:
    """The source must stand where its arrangement says: in the bore, or outside opposite."""
    distance_key = ("geometry", "source_distance_mm")
    offset_key = ("geometry", "source_offset_mm")
    distance = geometry.source_distance_mm
    offset = math.hypot(*geometry.source_offset_mm)
    if geometry.arrangement == "two_wall":
        if distance == 0:
            yield Fault(
                ("geometry",),
                'source_distance_mm is missing: arrangement = "two_wall" needs the distance from '
                "the pipe's axis to the source",
            )
        elif distance <= weld.radius_mm:
            yield Fault(
                distance_key,
                f"must be greater than half of weld.diameter_mm, {weld.radius_mm:g}: the source "
                "would be inside the pipe; it counts from the pipe's axis, not from its surface",
                distance,
            )
        if offset > 0:
            yield Fault(
                offset_key,
                'is only for arrangement = "panoramic"; with "two_wall" the source moves with '
                "the carriage",
                geometry.source_offset_mm,
            )
        return
    if distance != 0:
        yield Fault(
            distance_key,
            'is only for arrangement = "two_wall"; with "panoramic" the source is inside the pipe',
            distance,
        )
    bore_mm = weld.radius_mm - weld.wall_mm
    if offset >= bore_mm > 0:
        yield Fault(
            offset_key,
            f"lies {offset:g} mm off the axis, but the bore's radius is {bore_mm:g} mm",
            geometry.source_offset_mm,
        )


def view_faults(panel: Panel, stages: Stages) -> Iterator[Fault]:
    """Something of the panel must be left inside the border that is never used."""
    edge_px = stages.distortion.edge_px
    if 2 * edge_px >= min(panel.rows, panel.columns):
        yield Fault(
            ("stages", "distortion", "edge_px"),
            f"leaves nothing of a panel of {panel.rows} × {panel.columns} pixels",
            edge_px,
        )


def strip_faults(
    weld: Weld, geometry: Geometry, panel: Panel, scan: ScanPath, strip: Strip
) -> Iterator[Fault]:
    """The strip must lie where the panel sees the surface, and repeat less than a whole turn."""
    around_mm = math.pi * weld.diameter_mm
    if scan.ring and strip.overrun_mm >= around_mm:
        yield Fault(
            ("strip", "overrun_mm"),
            f"must be less than the pipe's circumference, {around_mm:.1f} mm",
            strip.overrun_mm,
        )
    if strip.axial_mm is None:
        return
    key = ("strip", "axial_mm")
    first, last = strip.axial_mm
    if first >= last:
        yield Fault(key, "must be [from, to] with from less than to", strip.axial_mm)
        return
    low, high = axial_view_mm(weld, geometry, panel)
    # The carriage wanders along the pipe; five standard deviations is as far as it can be believed.
    reach = 5 * scan.axial_sigma_mm
    if first < low - reach or last > high + reach:
        yield Fault(
            key,
            f"reaches past what the panel sees of the surface, {low:.1f} … {high:.1f} mm along "
            f"the pipe (and {reach:g} mm more if the carriage wanders)",
            strip.axial_mm,
        )


def axial_view_mm(weld: Weld, geometry: Geometry, panel: Panel) -> tuple[float, float]:
    """What the panel's centre column sees of the outer surface, from … to along the pipe.

    From the outer edge of the first row to that of the last, by the nominal geometry.
    """
    nominal = ScanGeometry(
        radius_mm=weld.radius_mm,
        standoff_mm=geometry.standoff_mm,
        arrangement=Arrangement(geometry.arrangement),
        source_axial_mm=geometry.source_axial_mm,
        source_distance_mm=geometry.source_distance_mm,
    )
    half_mm = panel.rows * panel.pitch_mm / 2
    _, z = unproject(nominal, nominal.source(0.0), 0.0, np.array([-half_mm, half_mm]))
    return float(z[0]), float(z[1])


def frame_faults(frames: Frames, panel: Panel) -> Iterator[Fault]:
    """Binary frames, and only they, need a layout."""
    return binary_faults(("frames",), frames.format, frames.binary, panel)
