"""Dark and gain correction: raw gray values to gray values linear in dose."""

from __future__ import annotations

from typing import Annotated, ClassVar

from pydantic import Field

from pipeline.calibration.product import CalibrationKind
from pipeline.stages.base import Shape, parameters


@parameters
class FlatField:
    """Subtract the dark frame, divide by the relative gain."""

    name: ClassVar[str] = "flat_field"
    shape: ClassVar[Shape] = Shape.CORRECT
    needs: ClassVar[tuple[CalibrationKind, ...]] = (CalibrationKind.DARK, CalibrationKind.GAIN)
    after: ClassVar[tuple[str, ...]] = ()

    min_gain: Annotated[float, Field(gt=0, lt=1)] = 0.05
    """Relative response below which a pixel counts as bad."""
