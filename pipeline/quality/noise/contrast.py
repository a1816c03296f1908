"""Contrast sensitivity: how small a change of thickness stands out of the noise."""

from __future__ import annotations

import math
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Contrast:
    """A value and its standard deviation."""

    value: float
    sigma: float


def contrast_sensitivity(
    snr: Contrast, attenuation_per_mm: Contrast, thickness_mm: float, *, cnr: float
) -> Contrast:
    """The least change of thickness that shows, in parts of it: cnr / (SNR · µ · t).

    It shows where its contrast is ``cnr`` times the noise of one pixel. µ is what a little more
    metal takes of the signal, −d ln(gray value)/dt, scatter included. ``snr`` is that of pixels
    without correlation. Both figures and the thickness must be positive; the relative
    uncertainties of the two add in squares.
    """
    value = cnr / (attenuation_per_mm.value * snr.value * thickness_mm)
    relative = math.hypot(
        snr.sigma / snr.value, attenuation_per_mm.sigma / attenuation_per_mm.value
    )
    return Contrast(value, value * relative)
