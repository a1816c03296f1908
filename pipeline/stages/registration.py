"""Registration: one placement of all frames from what their overlaps show."""

from __future__ import annotations

from typing import Annotated, ClassVar

from pydantic import Field

from pipeline.calibration.product import CalibrationKind
from pipeline.stages.base import Shape, parameters


@parameters
class Registration:
    """Find every overlap's shift with its uncertainty; solve all positions and levels at once."""

    name: ClassVar[str] = "registration"
    shape: ClassVar[Shape] = Shape.PLACE
    needs: ClassVar[tuple[CalibrationKind, ...]] = ()
    after: ClassVar[tuple[str, ...]] = ("distortion",)

    patch_px: Annotated[int, Field(ge=48, le=1024)] = 256
    """Side of the square patches whose shifts are measured, in strip pixels."""
    search_mm: Annotated[float, Field(gt=0, le=50)] = 6.0
    """How far an encoder step may be wrong."""
    neighbours: Annotated[int, Field(ge=1, le=8)] = 2
    """How many frames before are compared with each frame, beside the spaced-out ones."""
    refine_source: bool = True
    """Solve where the source stands off the pipe's axis."""
    refine_roll: bool = True
    """Solve the panel's roll about its own normal."""
    min_level: Annotated[float, Field(gt=0, lt=1)] = 0.85
    """A frame darker than this part of the scan's median level is left out (tube ramping up)."""
    max_saturated: Annotated[float, Field(ge=0, le=1)] = 0.02
    """A frame with more than this part of its pixels saturated is left out."""
