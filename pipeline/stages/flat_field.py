"""Dark and gain correction: raw gray values to gray values linear in dose."""

from __future__ import annotations

from typing import Annotated, ClassVar

import numpy as np
from pydantic import Field

from pipeline.calibration.product import CalibrationKind, CalibrationSet
from pipeline.kernels.flat_field import flat_field, flat_field_curved
from pipeline.model import Frame, FrameFlag
from pipeline.stages.base import Correction, Shape, parameters


@parameters
class FlatField:
    """Subtract the dark frame, divide by the relative gain, straighten each pixel's response."""

    name: ClassVar[str] = "flat_field"
    shape: ClassVar[Shape] = Shape.CORRECT
    needs: ClassVar[tuple[CalibrationKind, ...]] = (CalibrationKind.DARK, CalibrationKind.GAIN)
    after: ClassVar[tuple[str, ...]] = ()

    min_gain: Annotated[float, Field(gt=0, lt=1)] = 0.05
    """Relative response below which a pixel counts as bad."""

    def bind(self, calibration: CalibrationSet) -> Correction:
        """The correction with this calibration: ``(raw − dark) / gain``, float32.

        Where the calibration has each pixel's curvature, its bend with dose is taken out too (see
        ``calibration/linearity.py``); where it has none, no time is spent on it. Pixels whose gain
        is below ``min_gain`` become 0 and are flagged as bad.
        """
        weak = calibration.gain < self.min_gain
        inverse = np.where(weak, 0, 1 / np.where(weak, 1, calibration.gain)).astype(np.float32)
        weak_flags = weak.astype(np.uint8) * np.uint8(FrameFlag.BAD)
        any_weak = bool(weak.any())
        curvature = calibration.curvature
        reference = np.float32((calibration.facts.linearity or {}).get("reference_gv", 0.0))

        def correct(frame: Frame) -> Frame:
            raw = np.asarray(frame.values, dtype=np.uint16)
            values = np.empty(raw.shape, dtype=np.float32)
            if curvature is None:
                flat_field(raw, calibration.dark, inverse, values)
            else:
                flat_field_curved(raw, calibration.dark, inverse, curvature, reference, values)
            flags = frame.flags | weak_flags if any_weak else frame.flags
            return Frame(frame.index, values, flags)

        return correct
