"""Attenuation by wires of known diameter, and contrast sensitivity from it and the noise."""

from __future__ import annotations

import math

import numpy as np
import pytest

from pipeline.quality.gauges.wire_iqi import Wire
from pipeline.quality.image.contrast_figures import attenuation_by_wires

DIAMETERS_MM = (0.4, 0.32, 0.25, 0.2, 0.16, 0.125, 0.1)


def seen(attenuation: float, blur_mm: float) -> list[Wire]:
    """The wires' middles as a fine computation has them: chords blurred by a Gaussian."""
    x = np.arange(-2, 2.0005, 0.001)
    kernel = np.exp(-0.5 * (x / blur_mm) ** 2)
    peaks = [
        float((2 * np.sqrt(np.maximum((d / 2) ** 2 - x**2, 0)) * kernel).sum() / kernel.sum())
        for d in DIAMETERS_MM
    ]
    return [
        Wire(number, d, 0.0, 1 - math.exp(-attenuation * peak), 0.001, 1.0, True)
        for number, (d, peak) in enumerate(zip(DIAMETERS_MM, peaks, strict=True), start=10)
    ]


@pytest.mark.parametrize(("part", "within"), [(0.7, 0.01), (0.6, 0.07), (0.75, 0.05)])
def test_attenuation_by_wires(part: float, within: float) -> None:
    """A Gaussian blur of 0.7 SR_b is what is reckoned with (steps of 0.01 mm: 1 %). It is between
    0.6 and 0.75; a wire's middle changes by less than half as many per cent as its blur, the
    thicker ones, which count most, by less."""
    told = attenuation_by_wires(seen(0.155, part * 0.1), 5.0, 0.1, 0.1)
    assert told.value == pytest.approx(0.155, rel=within)


def test_its_uncertainty_is_that_of_all_wires_together() -> None:
    """σ / √Σ peak²; the peaks are somewhat less than the diameters."""
    told = attenuation_by_wires(seen(0.155, 0.07), 5.0, 0.1, 0.1)
    least = 0.001 / math.sqrt(sum(d * d for d in DIAMETERS_MM))
    assert least < told.sigma < 1.3 * least
