"""The three shapes of stage, and the rules of order that follow from them.

*correct*: frame → frame; *place*: what all frames saw → one placement; *compose*: frames and
placement → strip. A stage is its frozen parameter record with one named method; the config makes
the record straight from the stage's table.
"""

from __future__ import annotations

from enum import StrEnum

from pydantic import ConfigDict
from pydantic.dataclasses import dataclass as _dataclass


class Shape(StrEnum):
    """What a stage turns into what; in a sequence the shapes must come in this order."""

    CORRECT = "correct"
    PLACE = "place"
    COMPOSE = "compose"


parameters = _dataclass(
    frozen=True, slots=True, config=ConfigDict(extra="forbid", strict=False, allow_inf_nan=False)
)
