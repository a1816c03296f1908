"""The quality log of one strip: what was checked, found, left out and used, as frozen records.

The log is what ``quality.json`` holds. It carries no clock and no machine's name, so two runs over
the same input give the same bytes. Values are finite or null; every check names the basis of its
limit and, in its note, the values at which the verdict changes.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import asdict
from typing import Annotated, Literal

from pydantic import ConfigDict, Field, TypeAdapter, ValidationError
from pydantic.dataclasses import dataclass

from pipeline.errors import InputError
from pipeline.model import Verdict
from pipeline.quality.check import (
    BASIS_CONFIG,
    BASIS_PRACTICE,
    Check,
    at_least,
    at_most,
    report_only,
    worst,
)
from pipeline.quality.image.measure_records import QualityMeasure, Series
from pipeline.quality.noted.indication import IndicationList

__all__ = [
    "BASIS_CONFIG",
    "BASIS_PRACTICE",
    "SCHEMA",
    "CalibrationUsed",
    "Check",
    "ExposureFacts",
    "FrameRecord",
    "Gap",
    "GeometryFacts",
    "InputFile",
    "QualityLog",
    "QualityMeasure",
    "Seam",
    "Series",
    "StripFacts",
    "TapeFacts",
    "TapeTick",
    "WeldFacts",
    "at_least",
    "at_most",
    "report_only",
]

SCHEMA = "girthstrip.quality/4"

_FINITE = ConfigDict(extra="forbid", allow_inf_nan=False)

_Count = Annotated[int, Field(ge=0)]
_Positive = Annotated[float, Field(gt=0)]
_NotNegative = Annotated[float, Field(ge=0)]


@dataclass(frozen=True, slots=True, config=_FINITE)
class WeldFacts:
    """Who, what and where, as the config and the job sheet say."""

    id: str
    line: str
    station: str
    procedure: str
    material: str
    diameter_mm: _Positive
    wall_mm: _Positive
    operator: str
    evaluator: str


@dataclass(frozen=True, slots=True, config=_FINITE)
class StripFacts:
    """Size, axes and scale of the strip; dose = ``scale`` · gray value + ``offset``.

    Column ``j`` lies at ``s_first_mm + j · pitch_mm`` from the datum on the outer surface, row
    ``i`` at ``z_first_mm + i · pitch_mm`` along the pipe; a ring begins at the datum.
    ``sigma_scale`` turns the noise map into gray values.
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


@dataclass(frozen=True, slots=True, config=_FINITE)
class GeometryFacts:
    """The geometry used, with the uncertainty of what ``refined`` names as solved from frames.

    ``source_x_mm`` points from the pipe's axis to the datum, ``source_y_mm`` a quarter turn on in
    the direction of the scan. ``encoder_scale`` is carriage travel over what the encoder counted.
    ``standoff_mm`` is the mean round the ring; at the angle θ from the datum the panel stands off
    by the factors ``lift_off_mm`` of cos θ, sin θ, cos 2θ, sin 2θ, … more, and there it is
    uncertain by at most ``standoff_local_sigma_mm``. ``undetermined`` names what of ``refined`` the
    frames hardly told: it stays near what the config says.
    """

    source_x_mm: float
    source_x_sigma_mm: _NotNegative
    source_y_mm: float
    source_y_sigma_mm: _NotNegative
    roll_deg: float
    roll_sigma_deg: _NotNegative
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
    sha256: Annotated[str, Field(pattern=r"^[0-9a-f]{64}$")]


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


@dataclass(frozen=True, slots=True, config=_FINITE)
class QualityLog:
    """All that the strip claims; its verdict is the worst of its checks.

    ``remarks`` are sentences about what was odd but allowed in the frames and the calibration;
    they don't bear on the verdict. ``tape`` is null where the config describes none, or none was
    found. ``measures`` and ``series`` are image quality as the standards ask for it.
    ``indications`` are the reviewer's, measured; null where the config has no such table. They
    don't bear on the verdict either.
    """

    weld: WeldFacts
    exposure: ExposureFacts
    checks: tuple[Check, ...]
    remarks: tuple[str, ...]
    strip: StripFacts
    geometry: GeometryFacts
    frames: tuple[FrameRecord, ...]
    seams: tuple[Seam, ...]
    gaps: tuple[Gap, ...]
    inputs: tuple[InputFile, ...]
    calibration: CalibrationUsed
    software: Mapping[str, str]
    tape: TapeFacts | None = None
    measures: tuple[QualityMeasure, ...] = ()
    series: tuple[Series, ...] = ()
    indications: IndicationList | None = None

    def __post_init__(self) -> None:
        for seam in self.seams:
            if max(seam.left, seam.right) >= len(self.frames):
                raise ValueError(f"seam at {seam.s_mm} mm names a frame that the log doesn't have")

    @property
    def verdict(self) -> Verdict:
        """The worst verdict of the checks."""
        return worst(check.verdict for check in self.checks)

    def limit_of(self, check_id: str) -> float | int | None:
        """The limit of one of the checks, or None when there is no such check or limit."""
        return next((check.limit for check in self.checks if check.id == check_id), None)

    def to_json(self) -> str:
        """The log as JSON text: keys sorted, indented by 1, ending in a newline, ASCII only."""
        document = asdict(self) | {"schema": SCHEMA, "verdict": self.verdict}
        return json.dumps(document, sort_keys=True, indent=1, allow_nan=False) + "\n"

    @classmethod
    def from_json(cls, text: str, *, where: str = "quality.json") -> QualityLog:
        """Read what ``to_json`` wrote; ``where`` names the file in errors.

        Raises InputError for text that is no JSON, another schema, missing, unknown or impossible
        values, and for a verdict that isn't the worst of the checks.
        """
        remedy = "Stitch the weld again to get a whole result folder"
        try:
            document = json.loads(text, parse_constant=_refuse_constant)
        except (ValueError, RecursionError) as error:
            raise InputError(f"no valid JSON ({error})", where=where, remedy=remedy) from error
        schema = document.get("schema") if isinstance(document, dict) else None
        if schema != SCHEMA:
            raise InputError(
                f"schema is {schema!r}", where=where, expected=repr(SCHEMA), remedy=remedy
            )
        fields = {key: value for key, value in document.items() if key not in {"schema", "verdict"}}
        try:
            log = TypeAdapter(cls).validate_python(fields)
        except ValidationError as error:
            faults = "; ".join(
                f"{'.'.join(map(str, fault['loc']))}: {fault['msg']}"
                for fault in error.errors()[:5]
            )
            raise InputError(f"not a quality log ({faults})", where=where, remedy=remedy) from error
        if document.get("verdict") != log.verdict:
            raise InputError(
                f"verdict is {document.get('verdict')!r}",
                where=where,
                expected=f"{log.verdict.value!r}, the worst of its checks",
                remedy="The file was changed after it was written. " + remedy,
            )
        return log


def _refuse_constant(name: str) -> float:
    raise ValueError(f"{name} is no finite number")
