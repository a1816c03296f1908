"""Rules between the keys of a weld config that tell of image quality indicators."""

from __future__ import annotations

import math
from collections.abc import Iterator

from pipeline.config.faults import Fault
from pipeline.config.weld_sections import ScanPath, Strip, Weld
from pipeline.quality.gauges.iqi_plans import IqiPlan


def iqi_faults(
    weld: Weld, scan: ScanPath, strip: Strip, iqi: tuple[IqiPlan, ...]
) -> Iterator[Fault]:
    """Each must lie on the pipe and in the strip, and no two in one place."""
    around_mm = math.pi * weld.diameter_mm
    for index, plan in enumerate(iqi):
        if scan.ring and abs(plan.s_mm) > around_mm:
            yield Fault(
                ("iqi", index, "s_mm"),
                f"lies further than once round the pipe, {around_mm:.1f} mm",
                plan.s_mm,
            )
        if strip.axial_mm is not None and not strip.axial_mm[0] < plan.z_mm < strip.axial_mm[1]:
            yield Fault(
                ("iqi", index, "z_mm"),
                "lies outside of strip.axial_mm, {:g} … {:g} mm".format(*strip.axial_mm),
                plan.z_mm,
            )
        same = (plan.kind, plan.s_mm, plan.z_mm)
        if same in ((one.kind, one.s_mm, one.z_mm) for one in iqi[:index]):
            yield Fault(("iqi", index, "s_mm"), "is where another of the same kind lies", plan.s_mm)
