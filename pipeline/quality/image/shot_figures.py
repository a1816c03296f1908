"""How a strip was shot, as figures to be judged: geometry, gray values, the panel's sharpness."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np

from pipeline.quality.asked.exposure_geometry import ExposureGeometry, image_sr_b_mm
from pipeline.quality.asked.judge import Figure
from pipeline.quality.asked.known import Known, StripPicture
from pipeline.quality.asked.profile_rows import Side
from pipeline.quality.asked.requirement import (
    AREA,
    DISTANCE,
    SNR_N,
    SR_B,
    UG,
    UNSHARPNESS,
    WIRE,
    WIRE_POSITIONS,
    Requirements,
)
from pipeline.quality.gauges.iqis import IqiRead

_BLURRED = 1.2
"""From how many times what is due on a strip counts as blurred: the interpolation leaves it less
than a tenth coarser (common practice, no published source)."""


def geometry_figures(known: Known) -> list[Figure]:
    """Distance, magnification, unsharpness and thickness ratio; nothing without a geometry."""
    exposure = known.exposure
    if exposure is None:
        return []
    b_mm, spot_mm = exposure.object_to_detector_mm, exposure.focal_spot_mm
    told = f"b = {b_mm:.1f} mm" + (f", d = {spot_mm:g} mm" if spot_mm else "")
    ratio = exposure.distance_ratio
    in_spots = "" if ratio is None else f", f/d = {ratio:.0f}"
    smaller = "a smaller focal spot, or the panel closer to the pipe"
    figures = [
        Figure(
            DISTANCE,
            exposure.source_to_object_mm,
            "mm",
            method=f"from the geometry of the scan, where the source is nearest; {told}{in_spots}",
            remedy=smaller,
        ),
        Figure(
            "geometry.magnification",
            exposure.magnification,
            "",
            method=f"1 + b/f of the inner surface; {told}",
        ),
    ]
    if exposure.unsharpness_mm is not None:
        ug_mm = exposure.unsharpness_mm
        figures.append(Figure(UG, ug_mm, "mm", method=f"d·b/f; {told}", remedy=smaller))
    if known.thickness_ratio is not None:
        figures.append(
            Figure(
                AREA,
                known.thickness_ratio,
                "",
                method="penetrated thickness at a frame's ends over that in its middle",
                remedy="use less of each frame (max_angle_deg in [stages.distortion])",
            )
        )
    return figures


def level_figures(picture: StripPicture) -> list[Figure]:
    """The range of gray values that the strip uses, in every fourth row and column."""
    values = picture.values[::4, ::4]
    values = values[values > 0]
    if not values.size:
        return []
    low, high = (float(one) for one in np.percentile(values, [1, 99]))
    return [
        Figure("levels.gray_low", low, "", method="1 % of what is covered is darker"),
        Figure("levels.gray_high", high, "", method="1 % of what is covered is brighter"),
    ]


def detector_figures(known: Known) -> list[Figure]:
    """The panel's own SR_b; where nothing is magnified it is what is asked for."""
    detector = known.detector_sr_b_mm
    if detector is None:
        return []
    method = "the panel's, by its calibration or as the config tells"
    if not known.detector_counts:
        return [Figure("sharpness.detector_sr_b_mm", detector, "mm", method=method)]
    method += "; at this magnification it counts, not the image's"
    remedy = "a sharper panel"
    return [
        Figure(SR_B, detector, "mm", method=method, remedy=remedy),
        Figure(UNSHARPNESS, 2 * detector, "mm", method=method, remedy=remedy),
    ]


def _plane(exposure: ExposureGeometry, side: Side) -> ExposureGeometry:
    """The exposure of a gauge's own plane."""
    wall_mm = exposure.wall_mm if side == "detector" else 0.0
    return replace(
        exposure,
        source_to_object_mm=exposure.source_to_object_mm + wall_mm,
        object_to_detector_mm=exposure.object_to_detector_mm - wall_mm,
    )


def _sharpness(iqis: Sequence[IqiRead]) -> Iterator[tuple[IqiRead, float, float]]:
    """The duplex gauges that tell SR_b: each with it and its standard deviation, mm."""
    for one in iqis:
        if one.duplex is not None and one.duplex.sr_b_mm is not None:
            yield one, one.duplex.sr_b_mm, one.duplex.sigma_mm or 0.0


def spot_remarks(iqis: Sequence[IqiRead], known: Known) -> list[str]:
    """Where a duplex gauge shows less unsharpness in all than the told focal spot makes alone."""
    exposure = known.exposure
    if exposure is None or exposure.focal_spot_mm is None:
        return []
    said = []
    for one, found_mm, sigma_mm in _sharpness(iqis):
        plane = _plane(exposure, one.plan.side)
        alone_mm = image_sr_b_mm(plane.unsharpness_mm or 0.0, 0.0, plane.magnification) * 2
        most_mm = 2 * (found_mm + 2 * sigma_mm)
        if alone_mm > most_mm:
            said.append(
                f"at {one.plan.s_mm:.0f} mm the picture's unsharpness in all is {2 * found_mm:.3g} "
                f"mm, but a focal spot of {exposure.focal_spot_mm:g} mm alone would make "
                f"{alone_mm:.3g} mm there: the spot must have been told wrong (too large), or the "
                "geometry"
            )
    return said


def blur_remarks(iqis: Sequence[IqiRead], known: Known) -> list[str]:
    """Where a duplex gauge shows the strip less sharp than panel and geometry make it.

    Reckoned in the gauge's own plane; without the panel's SR_b or a focal spot nothing can be said.
    """
    exposure, detector_mm = known.exposure, known.detector_sr_b_mm
    if exposure is None or detector_mm is None or exposure.focal_spot_mm is None:
        return []
    said = []
    for one, found_mm, sigma_mm in _sharpness(iqis):
        plane = _plane(exposure, one.plan.side)
        due_mm = image_sr_b_mm(plane.unsharpness_mm or 0.0, detector_mm, plane.magnification)
        if found_mm - 2 * sigma_mm > _BLURRED * due_mm:
            said.append(
                f"at {one.plan.s_mm:.0f} mm the strip is less sharp, SR_b {found_mm:.3g} mm, than "
                f"panel and geometry make it, {due_mm:.3g} mm: something moved during the "
                "exposures, frames lie in wrong places, or the focal spot is larger than told"
            )
    return said


def missing_figures(figures: Sequence[Figure], asked: Requirements) -> list[Figure]:
    """What is asked but wasn't measured, with what it takes."""
    takes = {
        SNR_N: "no place beside the weld was found",
        SR_B: "it takes a duplex gauge on the weld, declared as [[iqi]], or the panel's SR_b",
        UNSHARPNESS: "it takes a duplex gauge on the weld, declared as [[iqi]]",
        WIRE: "it takes a wire gauge on the weld, declared as [[iqi]]",
        WIRE_POSITIONS: "no wire gauge is declared as [[iqi]]",
        DISTANCE: "it takes the geometry of the scan",
        UG: "it takes focal_spot_mm in [quality]",
        AREA: "it takes the geometry of the scan",
    }
    there = {one.id for one in figures}
    return [
        Figure(one.id, None, one.unit, note=takes.get(one.id, ""))
        for one in asked.asked
        if one.id not in there
    ]
