"""What is meant before an exposure, and how a finding about it ends."""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum

from pipeline.quality.asked.exposure_geometry import ExposureGeometry, image_sr_b_mm
from pipeline.quality.asked.profile import Profile
from pipeline.quality.asked.requirement import WeldCase


class Reach(StrEnum):
    """How a finding ends; from good to bad."""

    MET = "can be met"
    CONDITION = "on a condition"
    UNKNOWN = "not known"
    NOT_MET = "can't be met"


@dataclass(frozen=True, slots=True)
class Finding:
    """What is asked, what is known of it, how that ends, and what would mend it.

    ``found`` and ``asked`` are in ``unit``; None where there is no such number.
    """

    id: str
    reach: Reach
    found: float | None
    asked: float | None
    unit: str
    text: str
    remedy: str = ""
    basis: str = ""


@dataclass(frozen=True, slots=True)
class FrameNoise:
    """One frame beside the weld: its SNR for a pixel, and what the gain map's noise adds to it.

    ``snr`` is that of the quanta and the read-out alone; ``gain_relative`` the gain map's relative
    noise, the same in every frame at the same pixel of the panel.
    """

    snr: float
    gain_relative: float = 0.0

    @property
    def corrected_snr(self) -> float:
        """Of the corrected frame."""
        return 1 / math.sqrt(1 / self.snr**2 + self.gain_relative**2)


@dataclass(frozen=True, slots=True)
class Intended:
    """The exposure that is meant, as far as it is told.

    ``detector_sr_b_mm`` is measured, None: not yet. ``frame_length_mm`` is how much of the outer
    surface a frame shows, ``turn_mm`` the circumference of a ring, None for an arc.
    ``largest_reach_part`` is the part of a frame's reach at which the thickness ratio still holds.
    ``calibration_dose`` is that of the flats in gray values, ``gray_value`` one frame's.
    """

    case: WeldCase
    exposure: ExposureGeometry
    pitch_mm: float
    thickness_ratio: float
    largest_reach_part: float
    frame_length_mm: float
    turn_mm: float | None
    detector_sr_b_mm: float | None = None
    noise: FrameNoise | None = None
    frame_mas: float | None = None
    gray_value: float | None = None
    calibration_dose: float | None = None
    wire_gauges: int = 0


@dataclass(frozen=True, slots=True)
class Sharpness:
    """The SR_b that counts: whose, how large, and whether it was measured."""

    sr_b_mm: float | None
    of_image: bool
    measured: bool


def counting_sharpness(profile: Profile, plan: Intended) -> Sharpness:
    """The detector's SR_b, or the image's above the profile's magnification.

    A panel isn't sharper than its pixels are wide, so the pitch stands for one not yet measured.
    """
    detector_mm = plan.detector_sr_b_mm or plan.pitch_mm
    measured = plan.detector_sr_b_mm is not None
    limit = profile.duplex.image_above_magnification if profile.duplex else math.inf
    magnification = plan.exposure.magnification
    if magnification <= limit:
        return Sharpness(detector_mm, False, measured)
    ug_mm = plan.exposure.unsharpness_mm
    sr_b_mm = None if ug_mm is None else image_sr_b_mm(ug_mm, detector_mm, magnification)
    return Sharpness(sr_b_mm, True, measured)


def rounded_down(value: float, decimals: int = 2) -> str:
    """A greatest value, never rounded up; the last of its digits is kept."""
    step = 10.0**decimals
    return f"{math.floor(value * step + 1e-9) / step:.{decimals}f}"
