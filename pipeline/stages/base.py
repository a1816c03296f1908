"""The three shapes of stage, and the rules of order that follow from them.

*correct*: frame → frame; *place*: what all frames saw → one placement; *compose*: frames and
placement → strip. A stage is its frozen parameter record with one named method; the config makes
the record straight from the stage's table.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from enum import StrEnum

from pydantic import ConfigDict
from pydantic.dataclasses import dataclass as _dataclass

from pipeline.model import Frame


class Shape(StrEnum):
    """What a stage turns into what; in a sequence the shapes must come in this order."""

    CORRECT = "correct"
    PLACE = "place"
    COMPOSE = "compose"


parameters = _dataclass(
    frozen=True, slots=True, config=ConfigDict(extra="forbid", strict=False, allow_inf_nan=False)
)

Correction = Callable[[Frame], Frame]
"""A *correct* stage with its calibration: frame in, frame out. It may work in the flags and
the float values it is given: the chain hands a frame to one correction at a time."""

LagCorrection = Callable[[Frame, Sequence[Frame | None]], Frame]
"""The same for a stage that looks back: the frame, and the ones before it, newest first. These are
kept, so it leaves all of them as they were."""
