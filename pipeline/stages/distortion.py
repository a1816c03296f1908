"""Distortion: the one map from panel pixel to the pipe's outer surface."""

from __future__ import annotations

from typing import Annotated, ClassVar

from pydantic import Field

from pipeline.calibration.product import CalibrationKind
from pipeline.stages.base import Shape, parameters


@parameters
class Distortion:
    """Unroll the flat picture of the round pipe; nothing is resampled before blending."""

    name: ClassVar[str] = "distortion"
    shape: ClassVar[Shape] = Shape.CORRECT
    needs: ClassVar[tuple[CalibrationKind, ...]] = ()
    after: ClassVar[tuple[str, ...]] = ("flat_field", "lag", "bad_pixels")

    max_angle_deg: Annotated[float, Field(gt=0, le=60)] = 35.0
    """Parts of the panel that see the surface further than this from its centre are not used."""
    edge_px: Annotated[int, Field(ge=0, le=200)] = 4
    """Width of the panel's border that is never used."""
