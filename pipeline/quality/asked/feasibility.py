"""Before the exposure: whether panel, geometry and wall can meet what is asked, and what it takes.

A finding holds what is asked against what is known beforehand, says in words how that ends, and
what would mend it. It tells nothing of the weld, and the exposure itself must show the rest.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Iterator

from pipeline.quality.asked.exposure_geometry import ExposureGeometry
from pipeline.quality.asked.feasible_noise import calibration_dose, feasible_snr
from pipeline.quality.asked.feasible_sharpness import feasible_sharpness
from pipeline.quality.asked.intended import (
    Finding,
    Intended,
    Reach,
    counting_sharpness,
    rounded_down,
)
from pipeline.quality.asked.profile import Profile
from pipeline.quality.asked.profile_rows import CompensationRule
from pipeline.quality.asked.requirement import (
    AREA,
    DISTANCE,
    UG,
    WIRE,
    WIRE_POSITIONS,
    Requirement,
    Requirements,
)


def findings(
    profile: Profile,
    asked: Requirements,
    plan: Intended,
    allowed: Collection[CompensationRule] = (),
    *,
    by_agreement: bool = False,
) -> tuple[Finding, ...]:
    """What can be told before the exposure, a finding for each thing asked."""
    sharp = counting_sharpness(profile, plan)
    found: list[Finding] = []
    found += _geometry(asked, plan)
    found += feasible_sharpness(profile, asked, plan, sharp, allowed, by_agreement)
    found += feasible_snr(profile, asked, plan, sharp)
    found += calibration_dose(profile, plan)
    found += _gauges(asked, plan)
    return tuple(found)


def _geometry(asked: Requirements, plan: Intended) -> Iterator[Finding]:
    exposure = plan.exposure
    distance = asked.of(DISTANCE)
    if distance is not None:
        yield _distance(distance, exposure)
    ug, found = asked.of(UG), exposure.unsharpness_mm
    if ug is not None and found is not None:
        missed = found > ug.value
        spot_mm = ug.value * exposure.source_to_object_mm / exposure.object_to_detector_mm
        yield Finding(
            UG,
            Reach.NOT_MET if missed else Reach.MET,
            found,
            ug.value,
            "mm",
            f"geometric unsharpness {found:.3f} mm, at most {ug.value:g} mm",
            f"a focal spot of at most {rounded_down(spot_mm)} mm, or the panel closer"
            if missed
            else "",
            ug.basis,
        )
    area = asked.of(AREA)
    if area is not None:
        missed = plan.thickness_ratio > area.value
        text = (
            f"at a frame's ends the beam goes through {plan.thickness_ratio:.3f} times what it "
            f"does in the middle, at most {area.value:g}"
        )
        part = plan.largest_reach_part
        step_mm = math.floor(part * plan.frame_length_mm)
        remedy = (
            f"use only the inner {math.floor(100 * part)} % of a frame's length (max_angle_deg in "
            f"[stages.distortion]) and take steps below {step_mm} mm"
        )
        reach = Reach.NOT_MET if missed else Reach.MET
        yield Finding(
            AREA,
            reach,
            plan.thickness_ratio,
            area.value,
            "",
            text,
            remedy if missed else "",
            area.basis,
        )


def _distance(asked: Requirement, exposure: ExposureGeometry) -> Finding:
    found = exposure.source_to_object_mm
    ug_mm, spot_mm = exposure.unsharpness_mm, exposure.focal_spot_mm
    ratio = exposure.distance_ratio
    in_spots = "" if ratio is None else f" (f/d = {ratio:.0f})"
    text = (
        f"the source is {found:.1f} mm from the wall's inner side{in_spots}, at least "
        f"{asked.value:.1f} mm; "
        f"geometric unsharpness {ug_mm:.3f} mm, magnification {exposure.magnification:.3f}"
    )
    reach, remedy = Reach.MET, ""
    if found < asked.value and spot_mm is not None:
        largest_mm = spot_mm * found / asked.value
        remedy = (
            f"a focal spot of at most {rounded_down(largest_mm)} mm, or the panel closer to the "
            "pipe"
        )
        reach = Reach.NOT_MET
        if asked.slack is not None and found >= asked.slack:
            reach = Reach.CONDITION
            text += (
                f": {100 * (1 - found / asked.value):.0f} % less than asked, which holds only for "
                "a source at the pipe's centre where the IQI asked for is met"
            )
    return Finding(DISTANCE, reach, found, asked.value, "mm", text, remedy, asked.basis)


def _gauges(asked: Requirements, plan: Intended) -> Iterator[Finding]:
    wire = asked.of(WIRE)
    if wire is not None:
        yield Finding(
            WIRE,
            Reach.UNKNOWN,
            None,
            wire.value,
            "mm",
            f"{wire.name} ({wire.value:g} mm) must be seen; only the exposure shows whether it is",
            "lay the gauge's thinnest wires beyond it, so that the margin shows",
            wire.basis,
        )
    places = asked.of(WIRE_POSITIONS)
    if places is not None:
        enough = plan.wire_gauges >= places.value
        count = plan.wire_gauges
        yield Finding(
            WIRE_POSITIONS,
            Reach.MET if enough else Reach.NOT_MET,
            count,
            places.value,
            "places",
            f"{count} wire gauges are declared, a ring takes {places.value:g}, equally spaced",
            "" if enough else "lay more, and declare each as [[iqi]] in the config",
            places.basis,
        )
