"""What the headers of DICOM frames tell beside their pixels: how, when and where each was shot.

Units are DICOM's: kV, mA or µA, ms or µs, °C, degrees as triples.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import Any

from pipeline.errors import FrameError
from pipeline.io.dicom_pixels import quiet
from pipeline.io.frame_table import NUMBERS
from pipeline.model import FrameRow

_FACTS = ("kv", "ma", "exposure_s", "latitude", "longitude", "temperature_c")
_TAGS = (
    *("SOPClassUID", "SOPInstanceUID", "NumberOfFrames", "PresentationIntentType"),
    *("AcquisitionDateTime", "AcquisitionDate", "AcquisitionTime", "TimezoneOffsetFromUTC"),
    *("KVP", "XRayTubeCurrentInuA", "XRayTubeCurrent", "ExposureTimeInuS", "ExposureTime"),
    *("DetectorTemperature", "RescaleSlope", "RescaleIntercept"),
    *("GPSLatitude", "GPSLatitudeRef", "GPSLongitude", "GPSLongitudeRef"),
)


@dataclass(frozen=True, slots=True)
class FrameHeader:
    """The facts of one file; None where it doesn't tell. ``time`` is ISO 8601, of a file with one
    frame only: where there are more it isn't each one's. ``rescale`` is slope and intercept."""

    frames: int
    sop_class_uid: str
    sop_instance_uid: str
    for_presentation: bool
    rescale: tuple[float, float]
    time: str | None = None
    kv: float | None = None
    ma: float | None = None
    exposure_s: float | None = None
    latitude: float | None = None
    longitude: float | None = None
    temperature_c: float | None = None


def read_headers(folder: Path, names: Iterable[str]) -> dict[str, FrameHeader]:
    """The header of each file that can be read as DICOM, by its name from ``folder`` on."""
    import pydicom  # noqa: PLC0415 - only for those who use DICOM

    found = {}
    for name in names:
        try:
            with quiet():
                path = folder / name
                found[name] = _header(
                    pydicom.dcmread(path, stop_before_pixels=True, specific_tags=list(_TAGS))
                )
        except Exception:
            continue
    return found


def with_headers(
    rows: Sequence[FrameRow], headers: Mapping[str, FrameHeader]
) -> tuple[FrameRow, ...]:
    """The rows of a frame table, and where a cell is empty what the frame's header tells.

    Times are taken together or not at all: if no row has one and all headers do, all with a zone
    or all without, since otherwise they couldn't be compared. A row may have no header: its file
    can't be read.
    """
    with_time = all(row.time is None for row in rows) and _comparable(
        [headers[row.file].time for row in rows if row.file in headers]
    )
    completed = []
    for row in rows:
        header = headers.get(row.file)
        told: dict[str, Any] = {}
        if header is not None:
            told = {name: getattr(header, name) for name in _FACTS if getattr(row, name) is None}
            if with_time:
                told["time"] = header.time
        completed.append(replace(row, **told))
    return tuple(completed)


def header_remarks(headers: Mapping[str, FrameHeader]) -> tuple[str, ...]:
    """What is allowed in the headers of a scan's frames but worth knowing."""
    count = sum(header.for_presentation for header in headers.values())
    if not count:
        return ()
    return (
        f"{count} of {len(headers)} files of frames are marked FOR PRESENTATION: their gray values "
        "may have been processed for display; raw ones are FOR PROCESSING",
    )


def require_one_scale(headers: Mapping[str, FrameHeader], folder: Path) -> None:
    """Stored values are taken as they are, so they must mean the same in all frames.

    Raises:
        FrameError: slope or intercept of the rescaling differ among the frames.
    """
    scales = Counter(header.rescale for header in headers.values())
    if len(scales) < 2:
        return
    usual = scales.most_common(1)[0][0]
    odd = sorted(name for name, header in headers.items() if header.rescale != usual)
    slope, intercept = headers[odd[0]].rescale
    raise FrameError(
        f"{len(odd)} of {len(headers)} files have another RescaleSlope or RescaleIntercept than "
        f"the others, the first {odd[0]} ({slope:g}, {intercept:g}): their stored gray values "
        "don't mean the same",
        where=str(folder),
        expected=f"one scale for all, as {usual[0]:g}, {usual[1]:g}",
        remedy="Export the raw frames without a scaling of each by itself",
    )


def _comparable(times: Sequence[str | None]) -> bool:
    told = [datetime.fromisoformat(time) for time in times if time is not None]
    return len(told) == len(times) and len({moment.tzinfo is None for moment in told}) == 1


def _header(dataset: Any) -> FrameHeader:
    frames = int(dataset.get("NumberOfFrames", None) or 1)
    micro_a, micro_s = _number(dataset, "XRayTubeCurrentInuA"), _number(dataset, "ExposureTimeInuS")
    milli_s = _number(dataset, "ExposureTime")
    if micro_s is not None:
        seconds: float | None = micro_s / 1e6
    else:
        seconds = None if milli_s is None else milli_s / 1e3
    told = {
        "kv": _number(dataset, "KVP"),
        "ma": _number(dataset, "XRayTubeCurrent") if micro_a is None else micro_a / 1e3,
        "exposure_s": seconds,
        "temperature_c": _number(dataset, "DetectorTemperature"),
        "latitude": _degrees(dataset, "GPSLatitude", "S"),
        "longitude": _degrees(dataset, "GPSLongitude", "W"),
    }
    slope, intercept = _number(dataset, "RescaleSlope"), _number(dataset, "RescaleIntercept")
    return FrameHeader(
        frames=frames,
        sop_class_uid=str(dataset.get("SOPClassUID", "")),
        sop_instance_uid=str(dataset.get("SOPInstanceUID", "")),
        for_presentation=dataset.get("PresentationIntentType") == "FOR PRESENTATION",
        rescale=(1.0 if slope is None else slope, 0.0 if intercept is None else intercept),
        time=_time(dataset) if frames == 1 else None,
        **{name: value for name, value in told.items() if _can_be(name, value)},
    )


def _can_be(name: str, value: float | None) -> bool:
    """Whether a number can be meant, as in the frame table."""
    least, most = NUMBERS[name]
    return value is not None and least <= value <= most


def _number(dataset: Any, keyword: str) -> float | None:
    value = dataset.get(keyword, None)
    try:
        found = float(value)
    except (TypeError, ValueError):
        return None
    return found if math.isfinite(found) else None


def _degrees(dataset: Any, keyword: str, negative: str) -> float | None:
    """Degrees, minutes and seconds as decimal degrees."""
    triple, side = dataset.get(keyword, None), dataset.get(f"{keyword}Ref", None)
    try:
        degree, minute, second = (float(value) for value in triple)
    except (TypeError, ValueError):
        return None
    found = round(degree + minute / 60 + second / 3600, 10)
    return -found if side == negative else found


def _time(dataset: Any) -> str | None:
    """AcquisitionDateTime, or else AcquisitionDate and AcquisitionTime, as ISO 8601."""
    text = str(dataset.get("AcquisitionDateTime", None) or "").strip()
    if not text:
        parts = (dataset.get("AcquisitionDate", None), dataset.get("AcquisitionTime", None))
        if not all(parts):
            return None
        text = "".join(str(part).strip() for part in parts)
    if "+" not in text and "-" not in text:
        text += str(dataset.get("TimezoneOffsetFromUTC", None) or "").strip()
    for form in ("%Y%m%d%H%M%S.%f%z", "%Y%m%d%H%M%S%z", "%Y%m%d%H%M%S.%f", "%Y%m%d%H%M%S"):
        try:
            return datetime.strptime(text, form).isoformat()
        except ValueError:
            continue
    return None
