"""What a quality log tells of a strip and of what it was made from, as frozen records.

Every number is finite; what isn't known is null.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, Literal

from pydantic import ConfigDict, Field
from pydantic.dataclasses import dataclass

_FINITE = ConfigDict(extra="forbid", allow_inf_nan=False)

_Count = Annotated[int, Field(ge=0)]
_Positive = Annotated[float, Field(gt=0)]
_NotNegative = Annotated[float, Field(ge=0)]
_Sha256 = Annotated[str, Field(pattern=r"^[0-9a-f]{64}$")]


@dataclass(frozen=True, slots=True, config=_FINITE)
class WeldFacts:
    """Who, what and where, as the config and the job sheet say.

    ``shot`` is "" the first time, ``R1`` after the first repair, ``RS1`` where the weld was only
    shot again.
    """

    id: str
    line: str
    station: str
    procedure: str
    material: str
    diameter_mm: _Positive
    wall_mm: _Positive
    operator: str
    evaluator: str
    shot: str = ""


@dataclass(frozen=True, slots=True, config=_FINITE)
class StripFacts:
    """Size, axes and scale of the strip; dose = ``scale`` · gray value + ``offset``.

    Column ``j`` lies at ``s_first_mm + j · pitch_mm`` from the datum on the outer surface, row
    ``i`` at ``z_first_mm + i · pitch_mm`` along the pipe; a ring begins at the datum.
    ``sigma_scale`` turns the noise map into gray values. ``pixels_sha256`` tells this strip from
    any other, see `pixels_sha256`; null where nobody took it.
    """

    rows: Annotated[int, Field(ge=1)]
    columns: Annotated[int, Field(ge=1)]
    pitch_mm: _Positive
    s_first_mm: float
    z_first_mm: float
    circumference_mm: _Positive
    ring: bool
    overrun_mm: _NotNegative
    direction: Literal["clockwise", "counterclockwise"]
    scale: float
    offset: float
    sigma_scale: _Positive
    pixels_sha256: _Sha256 | None = None


@dataclass(frozen=True, slots=True, config=_FINITE)
class GeometryFacts:
    """The geometry used, with the uncertainty of what ``refined`` names as solved from frames.

    ``source_x_mm`` points from the pipe's axis to the datum, ``source_y_mm`` a quarter turn on in
    the direction of the scan. ``encoder_scale`` is carriage travel over what the encoder counted.
    ``standoff_mm`` is the mean round the ring; at the angle θ from the datum the panel stands off
    by the factors ``lift_off_mm`` of cos θ, sin θ, cos 2θ, sin 2θ, … more, and there it is
    uncertain by at most ``standoff_local_sigma_mm``. Yaw and pitch tilt the panel about its lines
    along the pipe and along the scan: plus lifts its leading end, and its end at the strip's lower
    edge. ``undetermined`` names what of ``refined`` the
    frames hardly told: it stays near what the config says.
    """

    source_x_mm: float
    source_x_sigma_mm: _NotNegative
    source_y_mm: float
    source_y_sigma_mm: _NotNegative
    roll_deg: float
    roll_sigma_deg: _NotNegative
    yaw_deg: float
    yaw_sigma_deg: _NotNegative
    pitch_deg: float
    pitch_sigma_deg: _NotNegative
    standoff_mm: float
    standoff_told_mm: float
    standoff_sigma_mm: _NotNegative
    standoff_local_sigma_mm: _NotNegative
    lift_off_mm: tuple[float, ...]
    arrangement: Literal["panoramic", "two_wall"]
    encoder_scale: float
    refined: tuple[str, ...]
    undetermined: tuple[str, ...]


@dataclass(frozen=True, slots=True, config=_FINITE)
class ExposureFacts:
    """When and how the frames of the strip were exposed, as the frame table tells.

    Frames left out don't count. Times are the table's own words, the earliest and the latest; null
    when no frame has one or when they can't be compared. The numbers are the least and the
    greatest told; null when none is.
    """

    first_time: str | None
    last_time: str | None
    kv_min: float | None
    kv_max: float | None
    ma_min: float | None
    ma_max: float | None
    exposure_s_min: float | None
    exposure_s_max: float | None


@dataclass(frozen=True, slots=True, config=_FINITE)
class FrameRecord:
    """One row of ``frames.csv``: used, with its place and level, or left out, and why.

    ``position_mm``, ``sigma_mm``, ``axial_mm`` and ``level`` are null for a frame left out.
    """

    file: str
    page: _Count
    used: bool
    why_not: str
    encoder_mm: float
    position_mm: float | None
    sigma_mm: float | None
    axial_mm: float | None
    level: float | None

    def __post_init__(self) -> None:
        solved = (self.position_mm, self.sigma_mm, self.axial_mm, self.level)
        if self.used and any(value is None for value in solved):
            raise ValueError("a used frame needs its position, sigma, axial shift and level")
        if not self.used and not self.why_not:
            raise ValueError("a frame left out needs its reason in why_not")


@dataclass(frozen=True, slots=True, config=_FINITE)
class Seam:
    """Where the leading frame changes: ``left`` and ``right`` are indices into ``frames``.

    ``level_step`` is relative; ``doubling`` is the disagreement of the two frames in units of
    their noise (about 1 is noise only) after each place's own shift was found. ``disagreement`` is
    the same for all frames of the strip in their places, in that cell of a few millimetres near
    the seam where it is largest, and where that is. What could not be measured is null.
    """

    s_mm: float
    left: _Count
    right: _Count
    level_step: float | None
    doubling: float | None
    residual_px: float | None
    overlap_mm: float | None
    disagreement: float | None = None
    disagreement_s_mm: float | None = None
    disagreement_z_mm: float | None = None


@dataclass(frozen=True, slots=True, config=_FINITE)
class Gap:
    """A stretch of the strip that no frame covered, in mm from the datum."""

    from_mm: float
    to_mm: float


@dataclass(frozen=True, slots=True, config=_FINITE)
class InputFile:
    """A file that was read, and the SHA-256 of its content in hexadecimal digits."""

    path: str
    sha256: _Sha256


@dataclass(frozen=True, slots=True, config=_FINITE)
class CalibrationUsed:
    """Which calibration corrected the frames, and how many pixels of each bad class it marks."""

    identity: str
    serial: str
    gain_mode: str
    valid_from: str | None
    valid_until: str | None
    bad_pixels: Mapping[str, int]


@dataclass(frozen=True, slots=True, config=_FINITE)
class TapeTick:
    """A tick of the location tape: its number, where the strip shows it, and how far that lies
    behind where it should, in the direction of the scan."""

    number: _Count
    s_mm: float
    deviation_mm: float


@dataclass(frozen=True, slots=True, config=_FINITE)
class TapeFacts:
    """The location tape as the strip shows it; nothing was corrected by it.

    ``spacing_mm`` is the ticks' on the outer surface, ``expected`` how many there are between the
    first and the last found; of the deviations ``rms_mm`` is the root mean square, ``common_mm``
    the median, ``stretch`` the slope. ``closing_mm`` is the way from the last tick on to the first,
    negative where the tape's end lies over its beginning; null for an arc.
    """

    spacing_mm: _Positive
    expected: _Count
    rms_mm: _NotNegative
    common_mm: float
    stretch: float
    closing_mm: float | None
    ticks: tuple[TapeTick, ...]
