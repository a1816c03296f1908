"""Where on earth it was: the attributes of group 0016, in degrees, minutes and seconds, WGS 84."""

from __future__ import annotations

from collections.abc import Sequence
from statistics import median
from typing import Any

from pydicom.dataset import Dataset

from pipeline.outputs.dicom.finished import Finished
from pipeline.outputs.dicom.values import fill, number

_DATUM = "WGS-84"


def add_place(dataset: Dataset, latitude: float, longitude: float) -> None:
    """Put a place, in decimal degrees, into a dataset."""
    fill(
        dataset,
        GPSVersionID=b"\x02\x03\x00\x00",
        GPSLatitudeRef="N" if latitude >= 0 else "S",
        GPSLatitude=_sexagesimal(latitude),
        GPSLongitudeRef="E" if longitude >= 0 else "W",
        GPSLongitude=_sexagesimal(longitude),
        GPSMapDatum=_DATUM,
    )


def add_strip_place(dataset: Dataset, finished: Finished) -> None:
    """The weld's place: the median of the strip's frames that tell theirs."""
    told = [
        (row.latitude, row.longitude)
        for frame in finished.used
        if (row := finished.row_of(frame)) is not None
        and row.latitude is not None
        and row.longitude is not None
    ]
    if told:
        add_place(dataset, median(place[0] for place in told), _longitude([p[1] for p in told]))


def _longitude(told: Sequence[float]) -> float:
    """The median of longitudes that may lie on both sides of 180°."""
    first = told[0]
    middle = first + median((one - first + 180) % 360 - 180 for one in told)
    return (middle + 180) % 360 - 180


def _sexagesimal(degrees: float) -> list[Any]:
    """Degrees, minutes, seconds of the amount."""
    minutes, micro = divmod(round(abs(degrees) * 3600e6), 60_000_000)
    degree, minute = divmod(minutes, 60)
    return [number(degree), number(minute), number(micro / 1e6)]
