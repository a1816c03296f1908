"""Lag correction: take away what earlier frames left behind in the panel."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Annotated, ClassVar

import numpy as np
from pydantic import Field

from pipeline.calibration.product import CalibrationKind, CalibrationSet
from pipeline.errors import CalibrationError
from pipeline.model import Frame
from pipeline.stages.base import LagCorrection, Shape, parameters

_EXTRA_TERMS = 2  # of the inverse series; with 5 % lag the first one left out is 6e-6


def inverse_filter(fractions: Sequence[float], terms: int) -> tuple[float, ...]:
    """The first ``terms`` weights of the filter that undoes ``1 + f₁z + f₂z² + …``.

    Power-series division; the first weight is 1. Applied to what the panel showed in this frame
    and in the ones before, it gives what fell on the panel in this frame.
    """
    weights = [1.0]
    for k in range(1, terms):
        weights.append(-sum(f * weights[k - 1 - i] for i, f in enumerate(fractions) if i <= k - 1))
    return tuple(weights)


@parameters
class Lag:
    """Subtract the fractions of the frames before that are still in this one."""

    name: ClassVar[str] = "lag"
    shape: ClassVar[Shape] = Shape.CORRECT
    needs: ClassVar[tuple[CalibrationKind, ...]] = (CalibrationKind.LAG,)
    after: ClassVar[tuple[str, ...]] = ("flat_field",)

    fractions: tuple[Annotated[float, Field(ge=0, lt=0.5)], ...] = ()
    """Part of the previous frame, of the one before it, …; empty: as the calibration says."""

    def depth(self, calibration: CalibrationSet) -> int:
        """How many earlier frames the correction looks back on."""
        return len(self._fractions(calibration)) + _EXTRA_TERMS

    def _fractions(self, calibration: CalibrationSet) -> tuple[float, ...]:
        fractions = self.fractions or calibration.facts.lag_fractions
        if not fractions:
            raise CalibrationError(
                "lag is to be corrected, but neither the config nor the calibration says how much",
                where=f"calibration {calibration.identity[:12]}",
                remedy="Set stages.lag.fractions, or take 'lag' out of stages.sequence",
            )
        return fractions

    def bind(self, calibration: CalibrationSet) -> LagCorrection:
        """The correction of a frame by the ones shot before it, newest first.

        Fewer than `depth` of them are the scan's first: before, the panel was dark. One that can't
        be read (None) also counts as dark, though it wasn't: what it left behind stays.
        """
        weights = inverse_filter(self._fractions(calibration), self.depth(calibration) + 1)

        def correct(frame: Frame, before: Sequence[Frame | None]) -> Frame:
            values = np.array(frame.values, dtype=np.float32)
            for weight, earlier in zip(weights[1:], before, strict=False):
                if earlier is not None:
                    values += np.float32(weight) * np.asarray(earlier.values, dtype=np.float32)
            return Frame(frame.index, values, frame.flags)

        return correct
