"""The config of one calibration: the panel, the exposures, what makes a pixel bad."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated, Any, ClassVar, Literal

from pydantic import AfterValidator, Field

from pipeline.config.faults import Fault, Rule
from pipeline.config.load import load_config
from pipeline.config.panel import BinaryLayout, FrameFormat, Panel, binary_faults
from pipeline.config.records import Folder, Job, Section


def _iso(text: str) -> str:
    try:
        datetime.fromisoformat(text)
    except ValueError:
        raise ValueError("must be a date like 2026-03-31 or 2026-03-31T08:00:00+00:00") from None
    return text


def _odd(value: int) -> int:
    if value % 2 == 0:
        raise ValueError("must be an odd number: the pixel itself is in the middle")
    return value


Date = Annotated[str, AfterValidator(_iso)]
Odd = Annotated[int, AfterValidator(_odd)]


class Calibration(Section):
    """For which use the calibration holds, beyond panel and gain mode."""

    frame_time_s: Annotated[float, Field(gt=0)] | None = None
    kv_min: Annotated[float, Field(gt=0)] | None = None
    kv_max: Annotated[float, Field(gt=0)] | None = None
    temperature_min_c: Annotated[float, Field(ge=-60, le=100)] | None = None
    temperature_max_c: Annotated[float, Field(ge=-60, le=100)] | None = None
    valid_from: Date | None = None
    valid_until: Date | None = None
    source_distance_mm: Annotated[float, Field(gt=0)] | None = None
    lag_fractions: tuple[Annotated[float, Field(ge=0, lt=0.5)], ...] = ()


class BadPixelLimits(Section):
    """From when on a pixel counts as bad; the names are those of the classes."""

    under_responding: float = Field(
        default=0.6, gt=0, lt=1, description="part of the neighbourhood's median"
    )
    over_responding: float = Field(
        default=1.3, gt=1, description="multiple of the neighbourhood's median"
    )
    neighbourhood_px: Odd = Field(default=21, ge=3, le=201)
    noisy_factor: float = Field(
        default=6.0, gt=1, description="multiple of the panel's median noise"
    )
    non_uniform: float = Field(
        default=0.01, gt=0, lt=1, description="relative deviation from the neighbours: 1 % is 0.01"
    )
    non_uniform_px: Odd = Field(default=9, ge=3, le=201)
    dead_response: float = Field(
        default=0.05, gt=0, lt=1, description="part of the neighbourhood's median response"
    )


class Exposures(Section):
    """One set of exposures, all alike, in a folder of their own."""

    kind: Literal["dark", "flat"]
    folder: Folder
    dose: float | None = Field(default=None, gt=0, description="tube charge in mA·s")
    format: FrameFormat = "tiff"
    binary: BinaryLayout | None = None


class CalibrationOutput(Section):
    """Where the calibration goes."""

    folder: Folder = Path("calibration")


def exposure_faults(exposures: tuple[Exposures, ...], panel: Panel) -> Iterator[Fault]:
    """Darks and flats must both be there, each set once, flats with their dose."""
    for kind, use in (("dark", "what the panel shows without radiation"), ("flat", "its gain")):
        if all(exposure.kind != kind for exposure in exposures):
            yield Fault(
                ("exposures",), f'needs at least one set of kind = "{kind}": it gives {use}'
            )
    seen: dict[Path, int] = {}
    for index, exposure in enumerate(exposures):
        key = ("exposures", index)
        if exposure.kind == "flat" and exposure.dose is None:
            yield Fault((*key, "dose"), "is missing: flats need their tube charge in mA·s")
        if exposure.kind == "dark" and exposure.dose is not None:
            yield Fault((*key, "dose"), "is only for flats: darks have no dose", exposure.dose)
        first = seen.setdefault(exposure.folder, index)
        if first != index:
            yield Fault(
                (*key, "folder"),
                f"is the folder of exposures[{first}] too; each set needs its own",
                exposure.folder,
            )
        yield from binary_faults(key, exposure.format, exposure.binary, panel)


def range_faults(calibration: Calibration) -> Iterator[Fault]:
    """Ranges must not be the wrong way round."""
    for low, high in (("kv_min", "kv_max"), ("temperature_min_c", "temperature_max_c")):
        least, most = getattr(calibration, low), getattr(calibration, high)
        if least is not None and most is not None and least > most:
            yield Fault(("calibration", low), f"must not be greater than {high} = {most:g}", least)
    start, end = calibration.valid_from, calibration.valid_until
    if start and end and _moment(start) >= _moment(end):
        yield Fault(("calibration", "valid_until"), f"must be later than valid_from = {start}", end)


def _moment(text: str) -> datetime:
    """The moment of an ISO 8601 text; without a zone it counts as UTC."""
    moment = datetime.fromisoformat(text)
    return moment if moment.tzinfo else moment.replace(tzinfo=UTC)


class CalibrateJob(Job):
    """Everything that ``girthstrip calibrate`` needs to know."""

    rules: ClassVar[tuple[Rule, ...]] = (
        Rule(("exposures", "panel"), exposure_faults),
        Rule(("calibration",), range_faults),
    )

    panel: Panel
    calibration: Calibration = Calibration()
    bad_pixels: BadPixelLimits = BadPixelLimits()
    exposures: tuple[Exposures, ...]
    output: CalibrationOutput = CalibrationOutput()


_NOTHING: Mapping[str, Any] = {}


def load_calibrate_config(
    path: Path,
    overrides: Mapping[str, object] = _NOTHING,
    exposures_from: Path | None = None,
) -> CalibrateJob:
    """The job that the config file describes.

    ``overrides`` as for ``load_weld_config``. ``exposures_from`` is the folder from which the
    exposures' folders count instead of the config file's.

    Raises:
        ConfigError: every fault of the file in one message, a line each.
    """
    job = load_config(path, CalibrateJob, overrides, "command line")
    if exposures_from is None:
        return job
    moved = tuple(
        exposure.model_copy(
            update={"folder": exposures_from / _as_given(exposure.folder, job.base)}
        )
        for exposure in job.exposures
    )
    return job.model_copy(update={"exposures": moved})


def _as_given(folder: Path, base: Path) -> Path:
    return folder.relative_to(base) if folder.is_relative_to(base) else folder
