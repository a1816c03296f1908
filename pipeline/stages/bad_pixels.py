"""Bad pixels: flagged, so that they weigh nothing, and filled, so that nothing rings."""

from __future__ import annotations

from typing import Annotated, ClassVar

from pydantic import Field

from pipeline.calibration.product import CalibrationKind
from pipeline.stages.base import Shape, parameters


@parameters
class BadPixels:
    """Flag bad and saturated pixels and put an estimate from good neighbours in their place."""

    name: ClassVar[str] = "bad_pixels"
    shape: ClassVar[Shape] = Shape.CORRECT
    needs: ClassVar[tuple[CalibrationKind, ...]] = (CalibrationKind.BAD_PIXELS,)
    after: ClassVar[tuple[str, ...]] = ("flat_field", "lag")

    radius_px: Annotated[int, Field(ge=1, le=15)] = 2
    """How far away good neighbours are looked for first; grows when there are none."""
