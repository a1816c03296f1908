"""What a profile asks of an exposure's geometry: distance, unsharpness, evaluated area."""

from __future__ import annotations

from collections.abc import Sequence

from pipeline.geometry import Arrangement
from pipeline.quality.asked.exposure_geometry import ExposureGeometry, least_distance_mm
from pipeline.quality.asked.profile import Profile
from pipeline.quality.asked.requirement import (
    AREA,
    DISTANCE,
    UG,
    Bound,
    Requirement,
    Untold,
    WeldCase,
)


def geometry_requirements(
    profile: Profile, case: WeldCase, exposure: ExposureGeometry
) -> Sequence[Requirement | Untold]:
    """What the profile asks of distance, geometric unsharpness and evaluated area."""
    found: list[Requirement | Untold] = []
    row, rule, d = (
        profile.distance_row(case.testing_class),
        profile.distance,
        exposure.focal_spot_mm,
    )
    found += _rows_missing(profile, case, exposure)
    if rule is not None and row is not None:
        if d is None:
            why = "least source distance: needs focal_spot_mm in [quality]"
            found.append(Untold(DISTANCE, why))
        else:
            least_mm = least_distance_mm(
                d,
                exposure.object_to_detector_mm,
                exposure.wall_mm,
                factor=row.factor,
                exponent=rule.exponent,
                least_b_in_t=rule.least_b_in_t,
            )
            note = (
                f"class {case.testing_class}: {row.factor:g} · d · b^{rule.exponent:.3g} with "
                f"d = {d:g} mm, b = {exposure.object_to_detector_mm:.4g} mm"
            )
            slack = None
            if case.arrangement is Arrangement.PANORAMIC:
                slack = least_mm * (1 - rule.reduction_central)
                note += (
                    f"; down to {slack:.1f} mm for a source at the pipe's centre where the IQI "
                    f"asked for is met ({rule.central_mark}), else down to "
                    f"{least_mm * (1 - rule.reduction_inside):.1f} mm ({rule.inside_mark})"
                )
            found.append(
                Requirement(
                    DISTANCE,
                    Bound.LEAST,
                    least_mm,
                    "mm",
                    profile.basis("source-to-object distance", row.mark),
                    note=note,
                    slack=slack,
                )
            )
    ug = profile.unsharpness_row(exposure.wall_mm)
    if ug is not None:
        if d is None:
            found.append(Untold(UG, "geometric unsharpness: needs focal_spot_mm in [quality]"))
        found.append(
            Requirement(
                UG,
                Bound.MOST,
                ug.ug_mm,
                "mm",
                profile.basis(ug.table, ug.mark),
                note=f"{exposure.wall_mm:g} mm wall",
            )
        )
    area = profile.area_row(case.testing_class)
    if area is not None:
        found.append(
            Requirement(
                AREA,
                Bound.MOST,
                area.thickness_ratio,
                "",
                profile.basis("evaluated area", area.mark),
                note="penetrated thickness at a frame's ends over that in its middle",
            )
        )
    return found


def _rows_missing(profile: Profile, case: WeldCase, exposure: ExposureGeometry) -> Sequence[Untold]:
    """Rules of geometry that the profile has, but without a row for this class or thickness."""
    letter = case.testing_class
    told = (
        (DISTANCE, "least source distance", profile.distance, profile.distance_row(letter)),
        (AREA, "evaluated area", profile.area, profile.area_row(letter)),
        (
            UG,
            "geometric unsharpness",
            profile.unsharpness,
            profile.unsharpness_row(exposure.wall_mm),
        ),
    )
    return [
        Untold(
            requirement_id,
            f"{what}: {profile.standard.title} has no row in this profile for class {letter}, "
            f"{exposure.wall_mm:g} mm wall",
        )
        for requirement_id, what, rule, row in told
        if rule is not None and row is None
    ]
