"""Image quality of a strip as the standards ask for it: measured, and held against a profile."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from statistics import median

from pipeline.model import StripGrid, Verdict
from pipeline.quality.asked.compensation import compensated, sharpness_rule
from pipeline.quality.asked.exposure_geometry import image_sr_b_mm
from pipeline.quality.asked.judge import Figure, judge
from pipeline.quality.asked.known import Known, StripPicture
from pipeline.quality.asked.profile import Profile
from pipeline.quality.asked.requirement import (
    SNR_N,
    SR_B,
    WIRE,
    Requirements,
)
from pipeline.quality.check import Check
from pipeline.quality.gauges.duplex_iqi import DuplexCriteria
from pipeline.quality.gauges.iqis import IqiRead, read_iqis
from pipeline.quality.gauges.wire_iqi import WireCriteria
from pipeline.quality.image.contrast_figures import contrast_figures
from pipeline.quality.image.gauge_figures import duplex_figures, gauge_series, wire_figures
from pipeline.quality.image.measure_records import QualityMeasure, Series
from pipeline.quality.image.noise_figures import noise_figures, noise_series, weld_series
from pipeline.quality.image.shot_figures import (
    blur_remarks,
    detector_figures,
    geometry_figures,
    level_figures,
    missing_figures,
    spot_remarks,
)
from pipeline.quality.image.worst_places import worst_of_each
from pipeline.quality.noise.noise_measures import NoiseMeasures, measure_noise
from pipeline.quality.noise.windows import WindowPlan

_SR_B_PX = 1.2  # about a strip's SR_b where no duplex gauge tells it
_LEAST_MM = 5.0
"""Along the pipe: a picture with less has no room for a weld and metal on both sides."""
_EVERY_MM = 10.0
"""One window for each zone and side on so much of the weld."""


@dataclass(frozen=True, slots=True)
class ImageQuality:
    """All measures, those along the strip, the checks, and what they were made from; ``profile`` is
    the identity of the one they were held against. ``untold`` are ids of requirements that could
    not be told."""

    measures: tuple[QualityMeasure, ...]
    series: tuple[Series, ...]
    checks: tuple[Check, ...]
    remarks: tuple[str, ...]
    noise: NoiseMeasures | None
    iqis: tuple[IqiRead, ...]
    profile: str
    untold: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class SharpnessUsed:
    """The SR_b that normalises SNR, whose it is, and why it may be another; empty: measured."""

    sr_b_mm: float
    whose: str
    doubt: str = ""


def measure_image(picture: StripPicture, known: Known) -> ImageQuality:
    """Measure the strip and hold it against what is asked.

    Nothing is asked where the requirements are empty: measures are then only reported.
    """
    iqis = read_gauges(picture, known)
    sharp = _sharpness(iqis, known, picture.grid)
    noise = _noise(picture, known, sharp)
    figures = [
        *(noise_figures(noise, sharp.whose, sharp.doubt, known.asked.of(SNR_N)) if noise else ()),
        *duplex_figures(iqis, counts=not known.detector_counts, magnified=known.magnified),
        *wire_figures(iqis, known.profile, _turn_mm(picture.grid)),
        *_contrast(iqis, noise, picture, known),
        *geometry_figures(known),
        *level_figures(picture),
    ]
    figures += detector_figures(known)
    asked, remarks = _compensated(figures, known)
    figures += missing_figures(figures, asked)
    asked = _without_relief(asked, figures)
    judged = [(one, *judge(one, asked.of(one.id))) for one in figures]
    return ImageQuality(
        measures=tuple(measure for _, measure, _ in judged),
        series=(
            *((*noise_series(noise), *weld_series(noise.weld)) if noise else ()),
            *gauge_series(iqis),
        ),
        checks=worst_of_each(judged, asked),
        remarks=(
            *(one.why for one in asked.untold),
            *known.remarks,
            *remarks,
            *spot_remarks(iqis, known),
            *blur_remarks(iqis, known),
            *_said(iqis, noise),
        ),
        noise=noise,
        iqis=iqis,
        profile=known.profile.identity,
        untold=tuple(one.id for one in asked.untold),
    )


def _without_relief(asked: Requirements, figures: Sequence[Figure]) -> Requirements:
    """The requirements, without what the rules allow where the IQIs asked for are met, if that
    isn't shown in this strip: a wire must be asked for, and all wires and pairs asked for met."""
    verdicts = {
        gauge: [
            judge(one, asked.of(gauge))[1].verdict is Verdict.PASS
            for one in figures
            if one.id == gauge
        ]
        for gauge in (WIRE, SR_B)
        if asked.of(gauge) is not None
    }
    if WIRE in verdicts and all(all(told) for told in verdicts.values()):
        return asked
    lacking = ", ".join(gauge for gauge, told in verdicts.items() if not all(told)) or WIRE
    said = f"nothing less is allowed here, as this isn't shown to be met in this strip: {lacking}"
    return replace(
        asked,
        asked=tuple(
            one if one.slack is None else replace(one, slack=None, note=f"{one.note}; {said}")
            for one in asked.asked
        ),
    )


def read_gauges(picture: StripPicture, known: Known) -> tuple[IqiRead, ...]:
    """Every gauge that is known to lie in the picture, read as the profile says."""
    profile = known.profile
    if not known.iqis:
        return ()
    wires = profile.wires.rows if profile.wires else ()
    reading = profile.reading
    duplex_table, duplex_criteria = duplex_reading_of(profile)
    return read_iqis(
        picture.values,
        picture.grid,
        known.iqis,
        wire_diameters_mm={
            int(row.name[1:]): row.diameter_mm for row in wires if row.name[1:].isdigit()
        },
        duplex_table=duplex_table,
        wire_criteria=WireCriteria(reading.wire_significance, reading.wire_length_mm)
        if reading
        else WireCriteria(),
        duplex_criteria=duplex_criteria,
        source_side_scale=known.source_side_scale,
    )


def duplex_reading_of(profile: Profile) -> tuple[list[float], DuplexCriteria]:
    """The diameters of a duplex gauge's pairs from the thickest on, and how they are read."""
    pairs, reading = profile.pairs.rows if profile.pairs else (), profile.reading
    criteria = (
        DuplexCriteria(reading.dip_percent, reading.fewest_lines) if reading else DuplexCriteria()
    )
    return [row.diameter_mm for row in pairs if row.name[1:].isdigit()], criteria


def _turn_mm(grid: StripGrid) -> float | None:
    """Once round a ring, None for an arc."""
    return grid.columns * grid.pitch_mm if grid.ring else None


def _sharpness(iqis: Sequence[IqiRead], known: Known, grid: StripGrid) -> SharpnessUsed:
    """The detector's SR_b, or above the profile's magnification the image's, as far as known."""
    told = [one.duplex.sr_b_mm for one in iqis if one.duplex is not None]
    read = [one for one in told if one is not None]
    detector = known.detector_sr_b_mm
    if not known.magnified and detector is not None:
        return SharpnessUsed(detector, "the detector's")
    if read:
        return SharpnessUsed(max(read), "the image's, by its duplex gauge")
    least = detector or known.pitch_mm or grid.pitch_mm
    exposure = known.exposure
    if known.magnified and exposure is not None and exposure.unsharpness_mm is not None:
        least = image_sr_b_mm(exposure.unsharpness_mm, least, exposure.magnification)
        spot = f"the focal spot of {exposure.focal_spot_mm:g} mm that was told"
        if detector is not None:
            return SharpnessUsed(least, f"the image's, computed from the panel's and {spot}")
        return SharpnessUsed(
            least,
            f"the image's, computed from the pixels' pitch and {spot}",
            f"SR_b isn't measured but computed, from {spot} and a panel as sharp as its pixels: "
            "the image may be sharper (a smaller spot: SNR_N is then higher) or less sharp (a "
            "coarser panel: SNR_N is then lower)",
        )
    return SharpnessUsed(
        least,
        "the pixels' pitch, as SR_b isn't measured",
        "SR_b isn't measured, so this is the best that it can be",
    )


def _noise(picture: StripPicture, known: Known, sharp: SharpnessUsed) -> NoiseMeasures | None:
    window, grid = known.profile.snr_window, picture.grid
    if window is None or grid.rows * grid.pitch_mm < _LEAST_MM or grid.columns < window.group:
        return None
    return measure_noise(
        picture.values,
        picture.sigma,
        picture.count,
        picture.origin,
        picture.grid,
        sr_b_mm=sharp.sr_b_mm,
        plan=WindowPlan(
            groups=-(-window.rows * window.columns // window.group),
            group=window.group,
            every_mm=_EVERY_MM,
        ),
        sigma_scale=picture.sigma_scale,
        aperture_mm=window.aperture_mm,
        resampled=picture.resampled,
    )


def _contrast(
    iqis: Sequence[IqiRead], noise: NoiseMeasures | None, picture: StripPicture, known: Known
) -> list[Figure]:
    reading = known.profile.reading
    if reading is None:
        return []
    told = [one.duplex.sr_b_mm for one in iqis if one.duplex is not None]
    read = [one for one in told if one is not None]
    pitch_mm = picture.grid.pitch_mm
    return contrast_figures(
        iqis,
        noise,
        sr_b_mm=median(read) if read else _SR_B_PX * pitch_mm,
        pitch_mm=pitch_mm,
        penetrated_mm=known.penetrated_mm,
        cnr=reading.contrast_cnr,
    )


def _compensated(figures: Sequence[Figure], known: Known) -> tuple[Requirements, tuple[str, ...]]:
    """What is asked once the second rule was applied, and what is worth saying of it."""
    told = [one.value for one in figures if one.id == SR_B and one.value is not None]
    if not told:
        return known.asked, ()
    rule = sharpness_rule(known.profile, known.asked, max(told))
    asked = compensated(known.asked, rule, known.allowed, by_agreement=known.by_agreement)
    if rule is None or not rule.possible or asked != known.asked:
        return asked, ()
    pairs = rule.missing_text(known.profile)
    by = "" if rule.missing <= rule.most else " and the parties agree"
    return asked, (
        f"{pairs} missing of what is asked of the duplex gauge (by its interpolated SR_b the last "
        f"that counts as shown is {rule.pair}); compensation rule II, if the "
        f"procedure allows it{by}, would ask {rule.wire} instead",
    )


def _said(iqis: Sequence[IqiRead], noise: NoiseMeasures | None) -> list[str]:
    """What the readings remark, each with the gauge's place."""
    said = []
    for one in iqis:
        reading = one.wire or one.duplex
        said += [
            f"{one.plan.kind} gauge at {one.plan.s_mm:g} mm: {remark}"
            for remark in (reading.remarks if reading else ())
        ]
    if noise is not None and noise.why_not:
        said.append(f"noise: {noise.why_not}")
    return said
