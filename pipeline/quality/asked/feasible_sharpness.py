"""Before the exposure: whether panel and focal spot are sharp enough for what is asked."""

from __future__ import annotations

import math
from collections.abc import Collection, Iterator

from pipeline.quality.asked.compensation import SharpnessRule, sharpness_rule
from pipeline.quality.asked.intended import Finding, Intended, Reach, Sharpness, rounded_down
from pipeline.quality.asked.profile import Profile
from pipeline.quality.asked.profile_rows import CompensationRule
from pipeline.quality.asked.requirement import SR_B, Requirements


def feasible_sharpness(
    profile: Profile,
    asked: Requirements,
    plan: Intended,
    sharp: Sharpness,
    allowed: Collection[CompensationRule],
    by_agreement: bool,
) -> Iterator[Finding]:
    """Whether the sharpness that counts can be what is asked, by a compensation rule if need be."""
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
    how = "" if sharp.measured else sharpness_told_by(plan, sharp)
    text = f"SR_b of {whose} is {found:.3g} mm{how}; {wanted}"
    reach, remedy = Reach.MET, ""
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


def sharpness_told_by(plan: Intended, sharp: Sharpness) -> str:
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
            f"a focal spot below {rounded_down(spot_mm)} mm and a magnification of about "
            f"{enlarged:.2f}, where the arrangement allows it"
        )
    elif sharp.of_image:
        remedies.append("a smaller focal spot, or the panel closer to the pipe")
    reach = Reach.NOT_MET
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
