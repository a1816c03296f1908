"""The quality log of one strip: what was checked, found, left out and used, as frozen records.

The log is what ``quality.json`` holds. It carries no clock and no machine's name, so two runs over
the same input give the same bytes. Values are finite or null; every check names the basis of its
limit and, in its note, the values at which the verdict changes.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import asdict

from pydantic import ConfigDict, TypeAdapter, ValidationError
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
from pipeline.quality.log_facts import (
    CalibrationUsed,
    ExposureFacts,
    FrameRecord,
    Gap,
    GeometryFacts,
    InputFile,
    Seam,
    StripFacts,
    TapeFacts,
    TapeTick,
    WeldFacts,
)
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

SCHEMA = "girthstrip.quality/5"

_FINITE = ConfigDict(extra="forbid", allow_inf_nan=False)


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
