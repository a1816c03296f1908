"""What a weld's job asks of its picture, and what is known of how it was shot."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

from pipeline.calibration.product import CalibrationFacts
from pipeline.config.quality_wanted import Quality
from pipeline.config.weld import WeldJob
from pipeline.errors import CalibrationError
from pipeline.geometry import Arrangement, Panel, ScanGeometry
from pipeline.io.calibration_store import read_facts
from pipeline.io.profiles import DEFAULT_PROFILE, profile_path, read_profile
from pipeline.quality.asked.exposure_geometry import exposure_geometry, thickness_ratio
from pipeline.quality.asked.known import Known
from pipeline.quality.asked.profile import Profile
from pipeline.quality.asked.requirement import (
    AREA,
    DISTANCE,
    NOTHING_ASKED,
    SNR_N,
    SR_B,
    UG,
    UNSHARPNESS,
    WIRE,
    WIRE_POSITIONS,
    Requirements,
    WeldCase,
)
from pipeline.quality.asked.requirements import requirements
from pipeline.stages import stage_of
from pipeline.stages.distortion import Distortion

_PARTS: Mapping[str, tuple[str, ...]] = {
    "snr_n": (SNR_N,),
    "sharpness": (SR_B, UNSHARPNESS),
    "wire": (WIRE, WIRE_POSITIONS),
    "geometry": (DISTANCE, UG, AREA),
}
"""What the config's ``wanted`` names → the requirements it stands for."""

_WORDS: Mapping[str, str] = {
    SNR_N: "SNR_N",
    SR_B: "SR_b",
    WIRE: "wires",
    WIRE_POSITIONS: "wire gauges round a ring",
    DISTANCE: "source distance",
    UG: "geometric unsharpness",
    AREA: "evaluated area",
}
_NOTHING_ASKED = "nothing: the config has no table [quality]"
_NOTHING_WANTED = "nothing: wanted in [quality] is empty"

_READ_BY = ("wires", "pairs", "snr_window", "reading")
"""The parts of a profile by which is measured; the others are what is asked."""


def profile_of(quality: Quality | None, config: Path | None = None) -> Profile:
    """The profile that the config asks for; without a table the usual one, of which nothing is
    asked.

    Where it doesn't tell gauges, or how they and the noise are read, the usual one does. An error
    names the line of ``config``, if that is told.

    Raises:
        ConfigError: there is none, or it is faulty.
    """
    usual = read_profile(DEFAULT_PROFILE)
    if quality is None:
        return usual
    asked = read_profile(profile_path(quality, config))
    missing = [part for part in _READ_BY if getattr(asked, part) is None]
    if not missing:
        return asked
    return replace(
        asked,
        identity=f"{asked.identity}; {', '.join(missing)} of {usual.identity}",
        **{part: getattr(usual, part) for part in missing},
    )


def weld_case(job: WeldJob, quality: Quality, kv: float | None) -> WeldCase:
    """The weld as the requirements depend on it; ``kv`` is the tube voltage it was shot with.

    The gauges lie where the config's first wire gauge does, or on the source's side.
    """
    sides = [one.side for one in job.iqi if one.kind == "wire"]
    return WeldCase(
        testing_class=quality.testing_class,
        wall_mm=job.weld.wall_mm,
        diameter_mm=job.weld.diameter_mm,
        material=job.weld.material,
        arrangement=Arrangement(job.geometry.arrangement),
        kv=kv,
        source=quality.source,
        flush=quality.flush,
        iqi_side=sides[0] if sides else "source",
        ring=job.scan.ring,
    )


def wanted_only(asked: Requirements, quality: Quality) -> Requirements:
    """Those of the requirements that the config wants."""
    ids = {name for part in quality.wanted for name in _PARTS[part]}
    return Requirements(
        tuple(one for one in asked.asked if one.id in ids),
        tuple(one for one in asked.untold if one.id in ids),
    )


def not_in_profile(asked: Requirements, quality: Quality, profile: Profile) -> str:
    """In words which parts that are wanted the profile says nothing of; empty where there are none.

    ``asked`` are the requirements that are wanted.
    """
    told = {one.id for one in asked.asked} | {one.id for one in asked.untold}
    missing = [part for part in quality.wanted if not told & set(_PARTS[part])]
    if not missing:
        return ""
    only = [word for requirement_id, word in _WORDS.items() if requirement_id in told]
    asks = f"asks only for {', '.join(only)}" if only else "asks for nothing that is wanted"
    return f"{profile.standard.title} {asks}; {', '.join(missing)}: not in this profile"


def asked_by(job: WeldJob, profile: Profile) -> str:
    """Who asks: standard, edition and class, with the caution; begins with ``nothing`` where
    nobody does."""
    if job.quality is None:
        return _NOTHING_ASKED
    if not job.quality.wanted:
        return _NOTHING_WANTED
    return (
        f"{profile.standard.title}, class {job.quality.testing_class}; {profile.standard.caution}. "
        "Local codes and the written procedure prevail"
    )


def known_of(
    job: WeldJob,
    profile: Profile,
    geometry: ScanGeometry,
    panel: Panel,
    *,
    kv: float | None,
    facts: CalibrationFacts | None,
) -> Known:
    """All that is known beside the job's strip: what is asked of it, and how it was shot.

    ``geometry`` and ``panel`` as told, or as the frames told them; ``kv`` of the frames; ``facts``
    of the calibration tell the panel's SR_b, unless the config does.
    """
    quality, wall_mm = job.quality, job.weld.wall_mm
    spot_mm = quality.focal_spot_mm if quality else None
    try:
        exposure = exposure_geometry(geometry, wall_mm, spot_mm)
    except ValueError:  # solved from hardly any structure, a source may come to stand anywhere
        exposure = None
    asked, lacking = NOTHING_ASKED, ""
    if quality is not None:
        case = weld_case(job, quality, quality.kv if kv is None else kv)
        asked = wanted_only(requirements(profile, case, exposure), quality)
        lacking = not_in_profile(asked, quality, profile)
    told = quality.detector_sr_b_mm if quality else None
    return Known(
        profile=profile,
        asked=asked,
        allowed=quality.compensation if quality else (),
        by_agreement=quality.pairs_by_agreement if quality else False,
        exposure=exposure,
        thickness_ratio=thickness_ratio(geometry, wall_mm, reach_rad(job, geometry, panel)),
        detector_sr_b_mm=told or sr_b_of(facts),
        pitch_mm=job.panel.pitch_mm,
        penetrated_mm=wall_mm * (2 if geometry.arrangement is Arrangement.TWO_WALL else 1),
        iqis=job.iqi,
        source_side_scale=_source_side_scale(job, geometry),
        remarks=(*filter(None, [lacking]), *(profile.odd_classes() if quality else ())),
    )


def reach_rad(job: WeldJob, geometry: ScanGeometry, panel: Panel) -> float:
    """How far a frame reaches round the pipe from its middle, the further of both ways."""
    low, high = stage_of(job.stages.records, Distortion).reach_mm(geometry, panel)
    return max(-low, high) / geometry.radius_mm


def facts_of(job: WeldJob) -> tuple[CalibrationFacts | None, str]:
    """The facts of the calibration that the config names, or None and why."""
    folder = job.calibration.folder
    if folder is None:
        return None, "noise and sharpness of the panel: name a calibration by its folder"
    if not folder.is_dir():
        return None, f"noise and sharpness of the panel: there is no calibration {folder} yet"
    try:
        return read_facts(folder)[1], ""
    except CalibrationError as error:
        return None, f"noise and sharpness of the panel: {error}"


def sr_b_of(facts: CalibrationFacts | None) -> float | None:
    """The panel's SR_b as its calibration measured it."""
    return None if facts is None else facts.acceptance.get("sr_b_mm")


def _source_side_scale(job: WeldJob, geometry: ScanGeometry) -> float:
    """By how much the strip shows what lies on the inner surface larger than on the outer.

    The strip's ruler is the outer surface's. Seen from a source on the axis, or from far outside,
    what is at the distance a of the source and at b behind it are alike large as b/a.
    """
    inner_mm = geometry.radius_mm - job.weld.wall_mm
    if geometry.arrangement is Arrangement.TWO_WALL:
        away_mm = geometry.source_distance_mm
        return (away_mm + geometry.radius_mm) / (away_mm + inner_mm)
    return geometry.radius_mm / inner_mm
