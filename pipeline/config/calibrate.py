"""The config of one calibration: the panel, the exposures, what makes a pixel bad."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated, Any, ClassVar, Literal

from pydantic import AfterValidator, Field

from pipeline.config.exposures import Exposures, exposure_faults
from pipeline.config.faults import Fault, Rule
from pipeline.config.load import load_config
from pipeline.config.panel import Panel
from pipeline.config.records import Folder, Job, Section
from pipeline.quality.acceptance_limits import AcceptanceLimits

SAME_FRAME_TIME = 0.01
"""Frame times that differ by no more of them are the same, as for the darks (``dark_states``)."""


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
    persistent_factor: float = Field(
        default=2.0, gt=1, description="multiple of the neighbourhood's median lag"
    )
    persistent_px: Odd = Field(default=9, ge=3, le=201)
    dead_response: float = Field(
        default=0.05, gt=0, lt=1, description="part of the neighbourhood's median response"
    )
    kernel_good_neighbours: int = Field(
        default=5, ge=1, le=8, description="with fewer a bad pixel can't be interpolated well"
    )
    line_min_px: int = Field(default=11, ge=2, description="bad pixels in a row that are a line")
    line_max_adjacent: float = Field(
        default=0.1, ge=0, le=1, description="part of a line that may have bad pixels beside it"
    )


class Gain(Section):
    """How the gain is made from the flats."""

    linearity: Literal["off", "pixel", "dose"] = "off"
    separate_beam: bool = False


class Lag(Section):
    """How lag is measured from a step-off sequence."""

    fractions: int = Field(
        default=4, ge=1, le=8, description="how many earlier frames count at most"
    )
    regions: tuple[Annotated[int, Field(ge=1, le=32)], Annotated[int, Field(ge=1, le=32)]] = Field(
        default=(4, 4), description="parts of the panel, down and across"
    )


class CalibrationOutput(Section):
    """Where the calibration goes."""

    folder: Folder = Path("calibration")


def use_faults(
    exposures: tuple[Exposures, ...], calibration: Calibration, gain: Gain
) -> Iterator[Fault]:
    """What is asked for must be possible with these exposures."""
    flats = [(k, one) for k, one in enumerate(exposures) if one.kind == "flat"]
    distances = {one.source_distance_mm or calibration.source_distance_mm for _, one in flats}
    if gain.separate_beam and None in distances:
        yield Fault(
            ("gain", "separate_beam"),
            "needs to know how far the focal spot was: give source_distance_mm in [calibration], "
            "or with every set of flats",
            True,
        )
    if not gain.separate_beam and len(distances) > 1:
        index = next(k for k, one in flats if one.source_distance_mm is not None)
        yield Fault(
            ("exposures", index, "source_distance_mm"),
            "differs among the flats; each distance has a beam of another shape, so the gain can "
            "only be made from them with gain.separate_beam = true",
            exposures[index].source_distance_mm,
        )
    if gain.linearity != "off":
        least = {"pixel": 2, "dose": 3}[gain.linearity]
        found = len({one.dose for _, one in flats})
        if flats and found < least:
            yield Fault(
                ("gain", "linearity"),
                f"needs flats at {least} doses or more; there are {found}",
                gain.linearity,
            )
    yield from _frame_time_faults(exposures, calibration)
    if calibration.lag_fractions and any(one.kind == "step_off" for one in exposures):
        yield Fault(
            ("calibration", "lag_fractions"),
            "must not be given where a step_off sequence measures it; remove one of them",
            calibration.lag_fractions,
        )


def _frame_time_faults(
    exposures: tuple[Exposures, ...], calibration: Calibration
) -> Iterator[Fault]:
    """The first darks are the calibration's own, so they have its frame time."""
    index, first = next(
        ((k, one) for k, one in enumerate(exposures) if one.kind == "dark"), (0, None)
    )
    ours, theirs = calibration.frame_time_s, None if first is None else first.frame_time_s
    if ours is None or theirs is None or abs(theirs - ours) <= SAME_FRAME_TIME * ours:
        return
    yield Fault(
        ("exposures", index, "frame_time_s"),
        f"is not calibration.frame_time_s = {ours:g}, though the first set of darks belongs to the "
        "flats; name the darks first that were shot with them",
        theirs,
    )


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
        Rule(("exposures", "calibration", "gain"), use_faults),
    )

    panel: Panel
    calibration: Calibration = Calibration()
    gain: Gain = Gain()
    lag: Lag = Lag()
    bad_pixels: BadPixelLimits = BadPixelLimits()
    acceptance: AcceptanceLimits = AcceptanceLimits()
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
