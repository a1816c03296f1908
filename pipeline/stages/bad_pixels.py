"""Bad pixels: flagged, so that they weigh nothing, and filled, so that nothing rings."""

from __future__ import annotations

from typing import Annotated, ClassVar

import numpy as np
from pydantic import Field

from pipeline.calibration.product import CalibrationKind, CalibrationSet
from pipeline.kernels.repair import fill_flagged
from pipeline.model import Frame, FrameFlag
from pipeline.stages.base import Correction, Shape, parameters


@parameters
class BadPixels:
    """Flag the calibration's bad pixels; put an estimate from good neighbours in their place."""

    name: ClassVar[str] = "bad_pixels"
    shape: ClassVar[Shape] = Shape.CORRECT
    needs: ClassVar[tuple[CalibrationKind, ...]] = (CalibrationKind.BAD_PIXELS,)
    after: ClassVar[tuple[str, ...]] = ("flat_field", "lag")

    radius_px: Annotated[int, Field(ge=1, le=15)] = 2
    """How far away good neighbours are looked for first; grows when there are none."""

    def bind(self, calibration: CalibrationSet) -> Correction:
        """The correction with this calibration's bad-pixel map; every class counts as bad."""
        bad = (calibration.classes != 0).astype(np.uint8) * np.uint8(FrameFlag.BAD)

        def correct(frame: Frame) -> Frame:
            flags = np.bitwise_or(frame.flags, bad, out=frame.flags)
            values = np.asarray(frame.values, dtype=np.float32)
            fill_flagged(values, flags, radius_px=self.radius_px)
            return Frame(frame.index, values, flags)

        return correct
