"""Lag correction: take away what earlier frames left behind in the panel.

Where the calibration says that lag differs over the panel (``calibration/lag_shares.py``), the
weights of the frames before are worked out for each part and run straight from the middle of one
to the middle of the next: the lag is smooth, and a step at a border would be a new line in the
strip.

The gain was made from flats, frames lit alike one after the other, so it holds what they had left
in each other. Alike everywhere, that is a constant; where lag differs, a frame without its lag is
brought to the same constant, or it would show the flats' lag as a shading.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import partial
from typing import Annotated, ClassVar

import numpy as np
from pydantic import Field

from pipeline.calibration.lag_shares import to_the_edges
from pipeline.calibration.product import CalibrationKind, CalibrationSet
from pipeline.errors import CalibrationError
from pipeline.kernels.lag import add_part, between_knots
from pipeline.model import FloatArray, FloatImage, Frame
from pipeline.stages.base import LagCorrection, Shape, parameters

_EXTRA_TERMS = 2  # of the inverse series; with 5 % lag the first one left out is 6e-6

_AddPart = Callable[[FloatImage, FloatImage], None]
"""Adds its part of the second, an earlier frame's values, to the first (both float32)."""


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
    """Part of the previous frame, of the one before it, …, alike over the whole panel; empty: as
    the calibration says, by part of the panel if it knows."""

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
        add = _alike if self.fractions or not calibration.facts.lag_shares else _by_place
        parts = add(self._fractions(calibration), self.depth(calibration), calibration)

        def correct(frame: Frame, before: Sequence[Frame | None]) -> Frame:
            values = np.array(frame.values, dtype=np.float32)
            for add_part_of, one in zip(parts, (frame, *before), strict=False):
                if one is not None:
                    add_part_of(values, np.asarray(one.values, dtype=np.float32))
            return Frame(frame.index, values, frame.flags)

        return correct


def _alike(
    fractions: Sequence[float], depth: int, calibration: CalibrationSet
) -> tuple[_AddPart, ...]:
    """Nothing for the frame itself; for each one before, newest first, the same of every pixel."""
    weights = inverse_filter(fractions, depth + 1)[1:]
    return _add_nothing, *(partial(_add_alike, np.float32(weight)) for weight in weights)


def _add_nothing(values: FloatImage, itself: FloatImage) -> None:
    """The frame stays as it is."""


def _add_alike(weight: np.float32, values: FloatImage, earlier: FloatImage) -> None:
    values += weight * earlier


def _by_place(
    fractions: Sequence[float], depth: int, calibration: CalibrationSet
) -> tuple[_AddPart, ...]:
    """For the frame itself and each before, newest first, a part that changes over the panel."""
    facts = calibration.facts
    shares, rows, columns = to_the_edges(np.array(facts.lag_shares))
    above, towards = between_knots(rows, facts.rows)
    left, on = between_knots(columns, facts.columns)
    weights = np.array(
        [
            [inverse_filter([share * one for one in fractions], depth + 1) for share in row]
            for row in shares
        ]
    )
    # What the gain holds of lag, over what it would hold if the panel lagged alike everywhere.
    weights *= ((1 + shares * sum(fractions)) / (1 + sum(fractions)))[..., np.newaxis]
    weights[..., 0] -= 1  # the frame itself is there already

    def adder(weight: FloatArray) -> _AddPart:
        """``weight``: of one frame, (rows, columns) of knots."""
        part = (weight[:, left] + on * (weight[:, left + 1] - weight[:, left])).astype(np.float32)
        return lambda values, earlier: add_part(values, earlier, part, above, towards)

    return tuple(adder(weights[:, :, k]) for k in range(depth + 1))
