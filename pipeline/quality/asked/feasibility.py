"""Before the exposure: whether panel, geometry and wall can reach what is asked, and what it takes.

A finding holds what is asked against what is known beforehand, says in words how that ends, and
what would mend it. It tells nothing of the weld, and the exposure itself must show the rest.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Iterator

from pipeline.quality.asked.compensation import SharpnessRule, sharpness_rule
from pipeline.quality.asked.exposure_geometry import ExposureGeometry
from pipeline.quality.asked.intended import Finding, Intended, Reach, Sharpness, counting_sharpness
from pipeline.quality.asked.profile import Profile
from pipeline.quality.asked.profile_rows import CompensationRule
from pipeline.quality.asked.requirements import (
    AREA,
    DISTANCE,
    SNR_N,
    SR_B,
    UG,
    WIRE,
    WIRE_POSITIONS,
    Requirement,
    Requirements,
    frames_needed,
    snr_needed,
)

CALIBRATION_DOSE = "calibration.dose_ratio"
SPEAKS_FOR_MUCH = 0.5  # of what the gain's own noise allows, beyond which it is worth a word


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
    found += _sharpness(profile, asked, plan, sharp, allowed, by_agreement)
    found += _snr(profile, asked, plan, sharp)
    found += _calibration(profile, plan)
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
            Reach.MISSED if missed else Reach.REACHED,
            found,
            ug.value,
            "mm",
            f"geometric unsharpness {found:.3f} mm, at most {ug.value:g} mm",
            f"a focal spot of at most {_down(spot_mm)} mm, or the panel closer" if missed else "",
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
        reach = Reach.MISSED if missed else Reach.REACHED
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


def _down(value: float, decimals: int = 2) -> str:
    """A greatest value, never rounded up; the last of its digits is kept."""
    step = 10.0**decimals
    return f"{math.floor(value * step + 1e-9) / step:.{decimals}f}"


def _distance(asked: Requirement, exposure: ExposureGeometry) -> Finding:
    found = exposure.source_to_object_mm
    ug_mm, spot_mm = exposure.unsharpness_mm, exposure.focal_spot_mm
    text = (
        f"the source is {found:.1f} mm from the wall's inner side, at least {asked.value:.1f} mm; "
        f"geometric unsharpness {ug_mm:.3f} mm, magnification {exposure.magnification:.3f}"
    )
    reach, remedy = Reach.REACHED, ""
    if found < asked.value and spot_mm is not None:
        largest_mm = spot_mm * found / asked.value
        remedy = f"a focal spot of at most {_down(largest_mm)} mm, or the panel closer to the pipe"
        reach = Reach.MISSED
        if asked.slack is not None and found >= asked.slack:
            reach = Reach.CONDITION
            text += (
                f": {100 * (1 - found / asked.value):.0f} % less than asked, which holds only for "
                "a source at the pipe's centre where the IQI asked for is met"
            )
    return Finding(DISTANCE, reach, found, asked.value, "mm", text, remedy, asked.basis)


def _sharpness(
    profile: Profile,
    asked: Requirements,
    plan: Intended,
    sharp: Sharpness,
    allowed: Collection[CompensationRule],
    by_agreement: bool,
) -> Iterator[Finding]:
    required = asked.of(SR_B)
    if required is None:
        return
    case, found = plan.case, sharp.sr_b_mm
    wanted = (
        f"class {case.testing_class} asks {required.value:g} mm ({required.name}) of "
        f"{case.penetrated_mm:g} mm penetrated"
    )
    if found is None:
        yield Finding(
            SR_B,
            Reach.UNKNOWN,
            None,
            required.value,
            "mm",
            f"{wanted}; at a magnification of {plan.exposure.magnification:.2f} the image's "
            "sharpness counts, and without focal_spot_mm it can't be told",
            "tell focal_spot_mm in [quality]",
            required.basis,
        )
        return
    whose = "the image" if sharp.of_image else "the panel"
    how = "" if sharp.measured else _told_by(plan, sharp)
    text = f"SR_b of {whose} is {found:.3g} mm{how}; {wanted}"
    reach, remedy = Reach.REACHED, ""
    rule = sharpness_rule(profile, asked, found)
    if found > required.value * (1 + 1e-9):
        reach, text, remedy = _too_coarse(
            profile, plan, sharp, rule, text, required.value, allowed, by_agreement
        )
    elif not sharp.measured:
        reach = Reach.CONDITION
        text += ": only if that is measured, panels are often 0 to 30 % coarser than their pixels"
        remedy = (
            "measure it with the duplex gauge on the panel (girthstrip calibrate), or tell "
            "detector_sr_b_mm"
        )
    yield Finding(SR_B, reach, found, required.value, "mm", text, remedy, required.basis)


def _told_by(plan: Intended, sharp: Sharpness) -> str:
    """What an SR_b that isn't measured rests on: a panel's pixels are the best that it can be, a
    focal spot counts as large as it was told."""
    pixels = f"its pixels of {1000 * plan.pitch_mm:g} µm"
    spot_mm = plan.exposure.focal_spot_mm
    if not sharp.of_image or spot_mm is None:
        return f" at best, by {pixels}"
    return f" by the focal spot of {spot_mm:g} mm that was told and a panel as sharp as {pixels}"


def _too_coarse(
    profile: Profile,
    plan: Intended,
    sharp: Sharpness,
    rule: SharpnessRule | None,
    text: str,
    required_mm: float,
    allowed: Collection[CompensationRule],
    by_agreement: bool,
) -> tuple[Reach, str, str]:
    """How a sharpness that misses what is asked ends: by the second rule, or not at all."""
    detector_mm = plan.detector_sr_b_mm or plan.pitch_mm
    remedies = [f"a panel with SR_b of at most {required_mm:g} mm"]
    spot_mm = 2 * detector_mm * required_mm / math.sqrt(max(detector_mm**2 - required_mm**2, 1e-12))
    if detector_mm > required_mm:
        enlarged = 1 + 4 * detector_mm**2 / spot_mm**2
        remedies.append(
            f"a focal spot below {_down(spot_mm)} mm and a magnification of about {enlarged:.2f}, "
            "where the arrangement allows it"
        )
    elif sharp.of_image:
        remedies.append("a smaller focal spot, or the panel closer to the pipe")
    reach = Reach.MISSED
    if rule is not None and rule.possible:
        pairs = "1 pair is" if rule.missing == 1 else f"{rule.missing} pairs are"
        instead = f"{pairs} missing, so {rule.wire} ({rule.wire_mm:g} mm) must be seen instead"
        agreed = rule.missing <= rule.most or by_agreement
        if "II" in allowed and agreed:
            reach, text = Reach.CONDITION, f"{text}: by compensation rule II, {instead}"
        else:
            how = "" if rule.missing <= rule.most else ", by agreement between the parties"
            remedies.insert(0, f'compensation = ["II"] if the procedure allows it{how}: {instead}')
    from_mm = profile.thickness_from_mm(plan.case.testing_class, sharp.sr_b_mm or detector_mm)
    if from_mm is not None:
        at_least = "" if sharp.measured else ", if it is as fine as its pixels"
        text += (
            f"; by itself it reaches class {plan.case.testing_class} from more than {from_mm:g} mm "
            f"penetrated on{at_least}"
        )
    return reach, text, "; or ".join(remedies)


def _snr(
    profile: Profile, asked: Requirements, plan: Intended, sharp: Sharpness
) -> Iterator[Finding]:
    required, window = asked.of(SNR_N), profile.snr_window
    if required is None or window is None:
        return
    detector_mm = plan.detector_sr_b_mm or plan.pitch_mm
    sr_b_mm = (sharp.sr_b_mm if sharp.of_image else None) or detector_mm
    needed = snr_needed(required.value, sr_b_mm, window.aperture_mm)
    how = "" if sharp.measured else f" (not measured:{_told_by(plan, sharp)})"
    snr = math.ceil(needed - 1e-9)
    wanted = f"SNR_N of {required.value:g} takes an SNR of {snr} with SR_b {sr_b_mm:.3g} mm{how}"
    if plan.noise is None:
        yield Finding(
            SNR_N,
            Reach.UNKNOWN,
            None,
            required.value,
            "",
            f"{wanted}; what one frame brings isn't told",
            "tell gray_value in [quality], from a trial frame, and name a calibration",
            required.basis,
        )
        return
    one = plan.noise.corrected_snr
    frames = frames_needed(needed, one)
    parts = [f"{wanted}; one frame brings {one:.0f}, so each place must be in {frames} frames"]
    if plan.frame_mas is not None:
        parts.append(f"{frames * plan.frame_mas:g} mA·s in all")
    step_mm = plan.frame_length_mm / frames
    stops = "" if plan.turn_mm is None else f", {math.ceil(plan.turn_mm / step_mm)} round the ring"
    parts.append(f"steps of at most {_down(step_mm, 1)} mm{stops}")
    doubled = f"{plan.frame_mas * 2:g} mA·s" if plan.frame_mas else "twice the mA·s"
    yield Finding(
        SNR_N,
        Reach.CONDITION if frames > 1 else Reach.REACHED,
        one * window.aperture_mm / sr_b_mm,
        required.value,
        "",
        ", ".join(parts),
        f"with {doubled} a frame half as many frames do, until the panel saturates"
        if frames > 1
        else "",
        required.basis,
    )
    limit = 1 / plan.noise.gain_relative if plan.noise.gain_relative > 0 else math.inf
    if needed > SPEAKS_FOR_MUCH * limit:
        yield Finding(
            "calibration.snr_limit",
            Reach.CONDITION if needed < limit else Reach.MISSED,
            limit,
            needed,
            "",
            f"the gain map's own noise limits what one place of the panel can reach to an SNR of "
            f"{limit:.0f}, however long it is exposed",
            "more flats, or flats of a higher dose",
        )


def _calibration(profile: Profile, plan: Intended) -> Iterator[Finding]:
    rule = profile.calibration
    if rule is None or plan.calibration_dose is None or not plan.gray_value:
        return
    ratio = plan.calibration_dose / plan.gray_value
    missed = ratio < rule.ratio
    yield Finding(
        CALIBRATION_DOSE,
        Reach.MISSED if missed else Reach.REACHED,
        ratio,
        rule.ratio,
        "",
        f"the flats together have {ratio:.1f} times the dose of a frame, at least {rule.ratio:g}",
        "more flats, or flats of a higher dose" if missed else "",
        profile.basis("calibration exposures", rule.mark),
    )


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
            Reach.REACHED if enough else Reach.MISSED,
            count,
            places.value,
            "places",
            f"{count} wire gauges are declared, a ring takes {places.value:g}, equally spaced",
            "" if enough else "lay more, and declare each as [[iqi]] in the config",
            places.basis,
        )
