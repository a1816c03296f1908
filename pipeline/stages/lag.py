"""Lag correction: take away what earlier frames left behind in the panel."""

from __future__ import annotations

from typing import Annotated, ClassVar

from pydantic import Field

from pipeline.calibration.product import CalibrationKind
from pipeline.stages.base import Shape, parameters


@parameters
class Lag:
    """Subtract the fractions of the frames before that are still in this one."""

    name: ClassVar[str] = "lag"
    shape: ClassVar[Shape] = Shape.CORRECT
    needs: ClassVar[tuple[CalibrationKind, ...]] = (CalibrationKind.LAG,)
    after: ClassVar[tuple[str, ...]] = ("flat_field",)

    fractions: tuple[Annotated[float, Field(ge=0, lt=0.5)], ...] = ()
    """Part of the previous frame, of the one before it, …; empty: as the calibration says."""
