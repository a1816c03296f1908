"""A strip's picture as image quality is measured in it, and what is known beside it."""

from __future__ import annotations

import math
from collections.abc import Collection
from dataclasses import dataclass

from pipeline.model import FlagImage, RawImage, StripGrid
from pipeline.quality.asked.exposure_geometry import ExposureGeometry
from pipeline.quality.asked.profile import Profile
from pipeline.quality.asked.profile_rows import CompensationRule
from pipeline.quality.asked.requirement import NOTHING_ASKED, Requirements
from pipeline.quality.gauges.iqi_plans import IqiPlan


@dataclass(frozen=True, slots=True)
class StripPicture:
    """A strip with its maps, as ``model.Strip`` has them; None for a picture without maps.

    ``resampled``: made by the strip's interpolation, which ties neighbouring pixels together.
    """

    values: RawImage
    grid: StripGrid
    sigma: RawImage | None = None
    count: FlagImage | None = None
    origin: FlagImage | None = None
    sigma_scale: float = 1.0
    resampled: bool = True


@dataclass(frozen=True, slots=True)
class Known:
    """What is known beside the picture: what is asked of it, how it was shot, which gauges it has.

    ``asked`` is empty where nothing is asked. ``detector_sr_b_mm`` is the panel's measured SR_b,
    ``pitch_mm`` its pixels' pitch; ``penetrated_mm`` the nominal thickness of all walls that the
    beam goes through; ``source_side_scale`` by how much the strip shows larger what
    lies on the source's side; ``remarks`` are what is worth saying of what is asked.
    """

    profile: Profile
    asked: Requirements = NOTHING_ASKED
    allowed: Collection[CompensationRule] = ()
    by_agreement: bool = False
    exposure: ExposureGeometry | None = None
    thickness_ratio: float | None = None
    detector_sr_b_mm: float | None = None
    pitch_mm: float | None = None
    penetrated_mm: float | None = None
    iqis: tuple[IqiPlan, ...] = ()
    source_side_scale: float = 1.0
    remarks: tuple[str, ...] = ()

    @property
    def magnified(self) -> bool:
        """Whether the image's sharpness counts, not the detector's."""
        limit = self.profile.duplex.image_above_magnification if self.profile.duplex else math.inf
        return self.exposure is not None and self.exposure.magnification > limit

    @property
    def detector_counts(self) -> bool:
        """Whether the panel's SR_b is what is asked for: it is known, and nothing is magnified."""
        return not self.magnified and self.detector_sr_b_mm is not None
