"""Facts of frames' headers complete the frame table, and never contradict it."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest

from pipeline.errors import FrameError
from pipeline.io.dicom_header import read_headers, with_headers
from pipeline.io.frames import find_scan, open_frames
from pipeline.model import FrameRow

from .frame_files import PANEL, frames_of, random_images, write_dicom, write_table

SHOT: dict[str, Any] = {
    "KVP": "180",
    "XRayTubeCurrentInuA": "2500.5",
    "ExposureTimeInuS": "1500000",
    "DetectorTemperature": "31.5",
    "AcquisitionDateTime": "20260302063012.250000+0200",
    "GPSLatitudeRef": "S",
    "GPSLatitude": ["12", "30", "36"],
    "GPSLongitudeRef": "W",
    "GPSLongitude": ["25", "0", "0.36"],
}


def _rows(*files: str, **told: Any) -> list[FrameRow]:
    return [FrameRow(k, file, 0, 10.0 * k, **told) for k, file in enumerate(files)]


def _facts(folder: Path, images: int = 1, **elements: Any) -> FrameRow:
    """The completed row of one file."""
    stack = random_images(images)
    write_dicom(folder / "a.dcm", stack if images > 1 else stack[0], **elements)
    (row,) = with_headers(_rows("a.dcm"), read_headers(folder, ["a.dcm"]))
    return row


def test_facts_in_the_tables_units(tmp_path: Path) -> None:
    """Units of PS3.3: kV, µA, µs, °C; places as degrees, minutes, seconds and a hemisphere."""
    row = _facts(tmp_path, **SHOT)
    assert (row.kv, row.ma, row.exposure_s, row.temperature_c) == (180.0, 2.5005, 1.5, 31.5)
    assert row.time == "2026-03-02T06:30:12.250000+02:00"
    assert row.latitude == pytest.approx(-12.51, abs=1e-9)
    assert row.longitude == pytest.approx(-25.0001, abs=1e-9)


def test_older_units_and_times(tmp_path: Path) -> None:
    row = _facts(
        tmp_path,
        XRayTubeCurrent="3",
        ExposureTime="250",
        AcquisitionDate="20260302",
        AcquisitionTime="063012.5",
        TimezoneOffsetFromUTC="-0330",
    )
    assert (row.ma, row.exposure_s, row.kv) == (3.0, 0.25, None)
    assert row.time == "2026-03-02T06:30:12.500000-03:30"


@pytest.mark.parametrize(
    "elements",
    [
        {"KVP": ""},
        {"KVP": "-5", "ExposureTime": "-1", "DetectorTemperature": "-400"},
        {"AcquisitionDate": "20260302"},
        {"AcquisitionDateTime": "2026"},
        {"GPSLatitude": ["91", "0", "0"], "GPSLatitudeRef": "N"},
    ],
)
def test_what_cannot_be_meant_counts_as_not_told(tmp_path: Path, elements: dict[str, Any]) -> None:
    row = _facts(tmp_path, **elements)
    assert (row.kv, row.exposure_s, row.temperature_c, row.time, row.latitude) == (None,) * 5


def test_a_files_time_is_not_the_time_of_each_of_its_frames(tmp_path: Path) -> None:
    row = _facts(tmp_path, images=3, **SHOT)
    assert (row.time, row.kv) == (None, 180.0)


def test_the_table_comes_first(tmp_path: Path) -> None:
    write_dicom(tmp_path / "a.dcm", random_images(1)[0], **SHOT)
    headers = read_headers(tmp_path, ["a.dcm"])
    (row,) = with_headers(_rows("a.dcm", kv=90.0, time="2026-01-01T00:00:00"), headers)
    assert (row.kv, row.time, row.ma) == (90.0, "2026-01-01T00:00:00", 2.5005)


@pytest.mark.parametrize("other", [None, "20260302063013", "20260302063013+0000"])
def test_times_are_taken_together_or_not_at_all(tmp_path: Path, other: str | None) -> None:
    """Some with a zone and some without, or some with none at all, can't be put in order."""
    write_dicom(tmp_path / "a.dcm", random_images(1)[0], AcquisitionDateTime="20260302063012+0000")
    told = {} if other is None else {"AcquisitionDateTime": other}
    write_dicom(tmp_path / "b.dcm", random_images(1)[0], **told)
    rows = with_headers(_rows("a.dcm", "b.dcm"), read_headers(tmp_path, ["a.dcm", "b.dcm"]))
    comparable = other is not None and other.endswith("+0000")
    assert [row.time is not None for row in rows] == [comparable, comparable]


def test_a_scan_takes_them_and_says_what_is_odd(tmp_path: Path) -> None:
    for name in ("a.dcm", "b.dcm"):
        write_dicom(
            tmp_path / name,
            random_images(1)[0],
            PresentationIntentType="FOR PRESENTATION",
            DetectorID=PANEL.serial,
            **SHOT,
        )
    write_table(tmp_path, "a.dcm,,0,", "b.dcm,,10,99", header="file,page,position_mm,kv")
    scan = find_scan(frames_of(tmp_path, format="dicom"), PANEL)
    assert [row.kv for row in scan.rows] == [180.0, 99.0]
    (remark,) = scan.remarks
    assert remark.startswith("2 of 2 files of frames are marked FOR PRESENTATION")


def test_a_frame_of_another_panel_is_left_out_and_named(tmp_path: Path) -> None:
    for k in range(3):
        write_dicom(
            tmp_path / f"{k}.dcm", random_images(1)[0], DetectorID="OTHER" if k == 1 else "TEST-1"
        )
    write_table(tmp_path, *(f"{k}.dcm,,{10 * k}" for k in range(3)))
    scan = find_scan(frames_of(tmp_path, format="dicom"), PANEL)
    assert list(scan.problems) == [1]
    assert "comes from the detector OTHER" in scan.problems[1]


def test_frames_that_are_scaled_each_by_itself_are_refused(tmp_path: Path) -> None:
    """Stored values are taken as they are: they must mean the same in all frames."""
    for k in range(3):
        slope = "2" if k == 2 else "1"
        write_dicom(
            tmp_path / f"{k}.dcm", random_images(1)[0], RescaleSlope=slope, RescaleIntercept="0"
        )
    write_table(tmp_path, *(f"{k}.dcm,,{10 * k}" for k in range(3)))
    with pytest.raises(FrameError, match=r"1 of 3 files .* the first 2.dcm \(2, 0\)"):
        find_scan(frames_of(tmp_path, format="dicom"), PANEL)
    with pytest.raises(FrameError, match=r"1 of 3 files"):
        open_frames(tmp_path, PANEL, "dicom")
    (tmp_path / "2.dcm").unlink()
    assert len(open_frames(tmp_path, PANEL, "dicom")) == 2


def test_a_file_that_is_no_dicom_has_no_header(tmp_path: Path) -> None:
    (tmp_path / "a.dcm").write_bytes(np.arange(500, dtype=np.uint16).tobytes())
    assert read_headers(tmp_path, ["a.dcm", "none.dcm"]) == {}
