"""What ``measure --plan`` tells: whether the exposure that is meant can meet what is asked."""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from pipeline.asked import (
    asked_by,
    facts_of,
    not_in_profile,
    profile_of,
    reach_rad,
    sr_b_of,
    wanted_only,
    weld_case,
)
from pipeline.calibration.product import CalibrationFacts
from pipeline.config.weld import WeldJob
from pipeline.errors import ConfigError
from pipeline.plan import scan_geometry
from pipeline.quality.asked.exposure_geometry import (
    exposure_geometry,
    largest_reach_rad,
    thickness_ratio,
)
from pipeline.quality.asked.feasibility import findings
from pipeline.quality.asked.intended import Finding, FrameNoise, Intended, Reach
from pipeline.quality.asked.requirement import AREA
from pipeline.quality.asked.requirements import requirements
from pipeline.stages import stage_of
from pipeline.stages.distortion import Distortion

SCHEMA = "girthstrip.measure_plan/2"


@dataclass(frozen=True, slots=True)
class ExposurePlan:
    """The findings, by which profile (empty where nothing is asked), and what could not be told.

    ``not_asked`` says which parts that are wanted the profile has nothing of.
    """

    title: str
    profile: str
    findings: tuple[Finding, ...]
    remarks: tuple[str, ...]
    not_asked: str = ""

    def as_dict(self) -> dict[str, Any]:
        """All of it as plain values."""
        return {
            "asked_by": self.title,
            "profile": self.profile,
            "findings": [asdict(one) for one in self.findings],
            "remarks": [*self.remarks, *filter(None, [self.not_asked])],
            "in_all": _summary(self.findings, self.not_asked),
        }

    def text(self) -> str:
        """All of it for people."""
        lines = [f"asked by   {self.title}"]
        lines += [f"profile    {self.profile}"] if self.profile else []
        for one in self.findings:
            lines.append(f"{one.reach:14} {one.id}: {one.text}")
            lines += [f"{'':14} to mend it: {one.remedy}"] if one.remedy else []
            lines += [f"{'':14} basis: {one.basis}"] if one.basis else []
        lines += [f"note       {remark}" for remark in self.remarks]
        return "\n".join([*lines, f"in all     {_summary(self.findings, self.not_asked)}"])


def _summary(found: tuple[Finding, ...], not_asked: str) -> str:
    """The last sentence; that it can be met only if all that is wanted was judged."""
    not_met, unknown, conditions, met = (
        ", ".join(one.id for one in found if one.reach is reach)
        for reach in (Reach.NOT_MET, Reach.UNKNOWN, Reach.CONDITION, Reach.MET)
    )
    whole = "it" if not not_asked else "what this profile asks"
    if not_met:
        said = f"what is asked can't be met like this: {not_met}"
        said += f"; not known: {unknown}" if unknown else ""
    elif unknown:
        said = f"not known whether it can be met: {unknown}"
        said += f"; what else is asked can be, if these hold: {conditions}" if conditions else ""
        said += "; what else is asked can be" if met and not conditions else ""
    elif conditions:
        said = f"{whole} can be met, if these hold: {conditions}"
    elif any(not one.id.startswith("calibration.") for one in found):
        said = f"{whole} can be met; the exposure itself must show it"
    else:
        said = "nothing is asked"
    return f"{said}; {not_asked}" if not_asked else said


def plan_exposure(job: WeldJob, config: Path | None = None) -> ExposurePlan:
    """Whether the exposure that the config means can meet what its table ``quality`` asks.

    No frame is needed. A calibration tells the panel's noise and sharpness; without one, or where
    it doesn't tell them, the config's keys do, or else it is said what is missing. An error names
    ``config``, the job's file, if that is told.

    Raises:
        ConfigError: the config asks for nothing, or for a profile that isn't there.
    """
    quality = job.quality
    if quality is None:
        raise ConfigError(
            "no image quality is asked for",
            where=str(config or job.base),
            expected="a table [quality] with testing_class",
            remedy="configs/panoramic.toml explains its keys",
        )
    profile = profile_of(quality, config)
    title = asked_by(job, profile)
    if not quality.wanted:
        return ExposurePlan(title, "", (), ())
    case = weld_case(job, quality, quality.kv)
    facts, remark = facts_of(job)
    geometry, panel = scan_geometry(job)
    exposure = exposure_geometry(geometry, job.weld.wall_mm, quality.focal_spot_mm)
    asked = wanted_only(requirements(profile, case, exposure), quality)
    low, high = stage_of(job.stages.records, Distortion).reach_mm(geometry, panel)
    reach = reach_rad(job, geometry, panel)
    area = asked.of(AREA)
    kept = reach
    if area is not None:
        kept = largest_reach_rad(geometry, job.weld.wall_mm, area.value, reach)
    plan = Intended(
        case=case,
        exposure=exposure,
        pitch_mm=job.panel.pitch_mm,
        thickness_ratio=thickness_ratio(geometry, job.weld.wall_mm, reach),
        largest_reach_part=kept / reach,
        frame_length_mm=high - low,
        turn_mm=geometry.circumference_mm if job.scan.ring else None,
        detector_sr_b_mm=quality.detector_sr_b_mm or sr_b_of(facts),
        noise=_noise(facts, quality.gray_value),
        frame_mas=quality.frame_mas,
        gray_value=quality.gray_value,
        calibration_dose=_flat_dose_gv(facts),
        wire_gauges=sum(one.kind == "wire" for one in job.iqi),
    )
    found = findings(
        profile, asked, plan, quality.compensation, by_agreement=quality.pairs_by_agreement
    )
    judged = {one.id for one in found}
    unknown = tuple(
        Finding(one.id, Reach.UNKNOWN, None, None, "", one.why)
        for one in asked.untold
        if one.id not in judged
    )
    return ExposurePlan(
        title,
        profile.identity,
        (*found, *unknown),
        (*filter(None, [remark]), *profile.odd_classes()),
        not_in_profile(asked, quality, profile),
    )


def _noise(facts: CalibrationFacts | None, gray_value: float | None) -> FrameNoise | None:
    """One frame's noise at a gray value, by the calibration's noise model."""
    if facts is None or gray_value is None:
        return None
    noise = facts.noise
    sigma = math.sqrt(noise.offset + noise.slope * gray_value)
    return FrameNoise(gray_value / sigma, noise.gain_relative)


def _flat_dose_gv(facts: CalibrationFacts | None) -> float | None:
    """Gray values of all flats together; None where the calibration doesn't tell them."""
    if facts is None:
        return None
    told = facts.acceptance
    sets = [
        told[f"flat_{number}_gv"] * told[f"flat_{number}_frames"]
        for number in range(1, int(told.get("flat_levels", 0)) + 1)
        if {f"flat_{number}_gv", f"flat_{number}_frames"} <= told.keys()
    ]
    return sum(sets) or None
