"""Blending: all frames into one strip, weighted by noise, each raw pixel resampled once."""

from __future__ import annotations

from typing import Annotated, ClassVar

from pydantic import Field

from pipeline.calibration.product import CalibrationKind
from pipeline.stages.base import Shape, parameters


@parameters
class Blending:
    """Average the frames that saw a pixel, by predicted noise and a smooth edge taper."""

    name: ClassVar[str] = "blending"
    shape: ClassVar[Shape] = Shape.COMPOSE
    needs: ClassVar[tuple[CalibrationKind, ...]] = (CalibrationKind.NOISE,)
    after: ClassVar[tuple[str, ...]] = ("registration",)

    taper_px: Annotated[int, Field(ge=1, le=512)] = 64
    """Width over which a frame's weight falls to nothing at the panel's edge."""
    fill_radius_px: Annotated[int, Field(ge=0, le=10)] = 3
    """How far a strip pixel that no frame measured may be filled from its neighbours."""
