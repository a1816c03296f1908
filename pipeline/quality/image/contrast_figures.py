"""Contrast sensitivity: how small a change of thickness stands out of the noise beside the weld."""

from __future__ import annotations

import math
from collections.abc import Sequence
from statistics import median

from pipeline.quality.asked.judge import Figure
from pipeline.quality.gauges.iqis import IqiRead
from pipeline.quality.gauges.wire_iqi import Wire
from pipeline.quality.gauges.wire_profile import wire_filters
from pipeline.quality.noise.contrast import Contrast, contrast_sensitivity
from pipeline.quality.noise.noise_measures import NoiseMeasures

ATTENUATION = "contrast.attenuation_per_mm"
SENSITIVITY = "contrast.sensitivity"


def contrast_figures(
    iqis: Sequence[IqiRead],
    noise: NoiseMeasures | None,
    *,
    sr_b_mm: float,
    pitch_mm: float,
    penetrated_mm: float | None,
    cnr: float,
) -> list[Figure]:
    """Effective attenuation by the wires of each gauge, and with the noise contrast sensitivity.

    The wires count as of the pipe's metal: one of known diameter, blurred as much as ``sr_b_mm``
    says, darkens the picture by the attenuation. A change of ``penetrated_mm`` shows where its
    contrast is ``cnr`` times the noise of one pixel of the panel. Nothing without a gauge that was
    read.
    """
    found = []
    for one in iqis:
        if one.wire is None or not one.wire.wires:
            continue
        told = attenuation_by_wires(one.wire.wires, one.plan.spacing_mm, sr_b_mm, pitch_mm)
        if told.value <= 0:
            continue
        s_mm = one.plan.s_mm if one.s_mm is None else one.s_mm
        found.append(
            Figure(
                ATTENUATION,
                told.value,
                "1/mm",
                sigma=told.sigma,
                s_mm=s_mm,
                method="by all wires of the gauge, taken for the pipe's metal, scatter included",
            )
        )
        if noise is None or not noise.places or penetrated_mm is None:
            continue
        snr = Contrast(
            median(place.snr_white for place in noise.places),
            median(place.snr_white_sigma for place in noise.places) / math.sqrt(len(noise.places)),
        )
        least = contrast_sensitivity(snr, told, penetrated_mm, cnr=cnr)
        found.append(
            Figure(
                SENSITIVITY,
                least.value,
                "",
                sigma=least.sigma,
                s_mm=s_mm,
                method=f"change of thickness, in parts of {penetrated_mm:g} mm, whose contrast is "
                f"{cnr:g} times the noise of one pixel beside the weld",
            )
        )
    return found


def attenuation_by_wires(
    wires: Sequence[Wire], spacing_mm: float, sr_b_mm: float, pitch_mm: float
) -> Contrast:
    """Attenuation in 1/mm: the slope of the wires' depths on their blurred thicknesses."""
    filters = wire_filters(
        [wire.diameter_mm for wire in wires],
        spacing_mm=spacing_mm,
        sr_b_mm=sr_b_mm,
        pitch_mm=pitch_mm,
    )
    peaks = [one.peak_mm for one in filters]
    depths = [-math.log1p(-min(wire.depth, 0.999)) for wire in wires]
    square = sum(peak * peak for peak in peaks)
    value = sum(depth * peak for depth, peak in zip(depths, peaks, strict=True)) / square
    sigma = median(wire.depth_sigma for wire in wires) / math.sqrt(square)
    return Contrast(value, sigma)
