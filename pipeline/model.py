"""The records that travel between the parts: frame row, frame, tie, placement, measure.

Arrays are (row, column); stacks (frame, row, column). Row runs along the pipe (z), column along
the scan direction. Missing pixels are flags, never special values.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import IntFlag, StrEnum

import numpy as np
from numpy.typing import NDArray

FloatImage = NDArray[np.float32]
RawImage = NDArray[np.uint16]
FlagImage = NDArray[np.uint8]
FloatArray = NDArray[np.float64]


class PixelClass(IntFlag):
    """Why a panel pixel is bad: bits of the calibration's bad-pixel map (uint8)."""

    DEAD = 1
    UNDER_RESPONDING = 2
    OVER_RESPONDING = 4
    NOISY = 8
    NON_UNIFORM = 16
    PERSISTENT = 32
    BAD_NEIGHBOURHOOD = 64


class FrameFlag(IntFlag):
    """What is wrong with a frame's pixel: bits of ``Frame.flags`` (uint8). Any bit: weight zero."""

    BAD = 1
    SATURATED = 2


class Origin(IntFlag):
    """Where a strip pixel comes from: values of the origin map (uint8)."""

    NOT_COVERED = 0
    MEASURED = 1
    FILLED = 2


class Verdict(StrEnum):
    """How a check or a whole quality log ends; the order is from good to bad."""

    PASS = "pass"
    ATTENTION = "attention"
    FAIL = "fail"


@dataclass(frozen=True, slots=True)
class FrameRow:
    """One row of ``frames.csv``: where the frame lies on disk and what was recorded beside it.

    ``position_mm`` is the carriage encoder's reading. Values that the table doesn't have are None;
    columns that the tool doesn't know are kept in ``extra``.
    """

    index: int
    file: str
    page: int
    position_mm: float
    time: str | None = None
    kv: float | None = None
    ma: float | None = None
    exposure_s: float | None = None
    latitude: float | None = None
    longitude: float | None = None
    temperature_c: float | None = None
    extra: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Frame:
    """Gray values linear in dose (float32) and flags (uint8), both (rows, columns)."""

    index: int
    values: FloatImage
    flags: FlagImage

    def __post_init__(self) -> None:
        if self.values.shape != self.flags.shape or self.values.ndim != 2:
            raise ValueError(f"values {self.values.shape} and flags {self.flags.shape} must match")


@dataclass(frozen=True, slots=True)
class Measure:
    """A number that a stage found, with its unit; write-only: no stage reads it."""

    id: str
    stage: str
    value: float | int | None
    unit: str = ""
    note: str = ""
