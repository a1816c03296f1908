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
    """Gray values and flags (uint8), both (rows, columns).

    As read the values are the panel's uint16; from the flat-field correction on they are float32
    and linear in dose.
    """

    index: int
    values: FloatImage | RawImage
    flags: FlagImage

    def __post_init__(self) -> None:
        if self.values.shape != self.flags.shape or self.values.ndim != 2:
            raise ValueError(f"values {self.values.shape} and flags {self.flags.shape} must match")


@dataclass(frozen=True, slots=True)
class StripGrid:
    """Where the strip's pixels lie: column j at ``s_first_mm + j * pitch_mm``, row i at ``z``.

    A full ring has exactly ``columns * pitch_mm`` = its circumference and ``s_first_mm`` = 0; its
    strip repeats the first ``overrun`` columns past its end.
    """

    rows: int
    columns: int
    pitch_mm: float
    s_first_mm: float
    z_first_mm: float
    ring: bool
    overrun: int = 0

    @property
    def shape(self) -> tuple[int, int]:
        """(rows, columns) of the strip's pictures, the overrun included."""
        return self.rows, self.columns + self.overrun


@dataclass(frozen=True, slots=True)
class Placement:
    """Where every frame was taken and how bright it is; arrays have one entry a used frame.

    ``frames`` are the indices of the used frames in scan order; positions are millimetres along
    the outer surface from the datum, their sigma is relative to the first frame; ``level`` is
    exposure relative to the scan's geometric mean.
    """

    frames: NDArray[np.int64]
    position_mm: FloatArray
    sigma_mm: FloatArray
    axial_mm: FloatArray
    level: FloatArray


@dataclass(frozen=True, slots=True)
class Strip:
    """The strip and its maps, all of ``grid.shape``.

    ``values`` are gray values linear in dose (0 where nothing is known), ``sigma`` the predicted
    noise in steps of ``sigma_scale`` gray values, ``count`` how many frames measured a pixel,
    ``origin`` as ``Origin``. ``disagreement`` tells of every cell of CELL_PX by CELL_PX pixels how
    far the frames that measured it lie apart, in units of what noise alone makes of it (about 1);
    0 where too few of its pixels were measured by several frames. It doesn't know the overrun.
    """

    grid: StripGrid
    values: RawImage
    sigma: RawImage
    count: FlagImage
    origin: FlagImage
    sigma_scale: float
    disagreement: FloatImage = field(default_factory=lambda: np.zeros((0, 0), np.float32))
