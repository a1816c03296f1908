"""A scan whose frames and calibration exposures are DICOM gives what the same in TIFF gives."""

from __future__ import annotations

import csv
import shutil
from pathlib import Path
from typing import Any

import numpy as np
import pydicom
import pytest
import tifffile
from pydicom.dataset import Dataset
from pydicom.uid import DigitalXRayImageStorageForProcessing

from pipeline.calibrate import run_calibrate
from pipeline.config.calibrate import load_calibrate_config
from pipeline.config.weld import load_weld_config
from pipeline.io.calibration_store import read_calibration
from pipeline.outputs.dicom.export import Wishes, export_strip
from pipeline.outputs.dicom.private import Own, own_value
from pipeline.quality.log import QualityLog
from pipeline.run import run_weld
from tests.io.frame_files import write_dicom


def _degrees(text: str, refs: str) -> tuple[str, list[str]]:
    """A decimal place as DICOM has it; whole degrees are all that the presets have."""
    return refs[float(text) < 0], [str(abs(float(text))), "0", "0"]


def _header(row: dict[str, str], number: int) -> dict[str, Any]:
    """What a panel's software would write of a row of the frame table."""
    latitude, longitude = _degrees(row["latitude"], "NS"), _degrees(row["longitude"], "EW")
    return {
        "SOPClassUID": DigitalXRayImageStorageForProcessing,
        "SOPInstanceUID": f"1.2.3.{number}",
        "DetectorID": "SIM-0001",
        "KVP": row["kv"],
        "XRayTubeCurrentInuA": str(float(row["ma"]) * 1000),
        "ExposureTimeInuS": str(float(row["exposure_s"]) * 1e6),
        "DetectorTemperature": row["temperature_c"],
        "AcquisitionDateTime": row["time"].translate(str.maketrans("", "", "-:T")),
        "GPSLatitudeRef": latitude[0],
        "GPSLatitude": latitude[1],
        "GPSLongitudeRef": longitude[0],
        "GPSLongitude": longitude[1],
    }


def _as_dicom(scan: Path, folder: Path) -> Path:
    """The scan's frames as DICOM files whose headers hold all that the table held beside the
    positions; returns the config."""
    (folder / "frames").mkdir()
    with (scan / "frames/frames.csv").open(newline="") as file:
        table = list(csv.DictReader(file))
    lines = ["file,position_mm"]
    for number, row in enumerate(table, start=1):
        name = Path(row["file"]).with_suffix(".dcm").name
        image = tifffile.imread(scan / "frames" / row["file"])
        write_dicom(folder / "frames" / name, image, **_header(row, number))
        lines.append(f"{name},{row['position_mm']}")
    (folder / "frames/frames.csv").write_text("\n".join(lines) + "\n")
    config = folder / "stitch.toml"
    text = (scan / "stitch.toml").read_text()
    assert text.count("[frames]") == 1
    config.write_text(text.replace("[frames]", '[frames]\nformat = "dicom"'))
    return config


@pytest.fixture(scope="module")
def dicom_scan(small_finished: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The small scan in DICOM, stitched into ``result``."""
    folder = tmp_path_factory.mktemp("dicom") / "scan"
    folder.mkdir()
    shutil.copytree(small_finished / "calibration", folder / "calibration")
    run_weld(load_weld_config(_as_dicom(small_finished, folder)))
    return folder


def _log(folder: Path) -> QualityLog:
    return QualityLog.from_json((folder / "result/quality.json").read_text())


@pytest.mark.parametrize("name", ["strip.tif", "maps.tif"])
def test_the_strip_is_the_same_byte_for_byte(
    small_finished: Path, dicom_scan: Path, name: str
) -> None:
    ours, theirs = (folder / "result" / name for folder in (dicom_scan, small_finished))
    assert ours.read_bytes() == theirs.read_bytes()


def test_what_the_headers_tell_is_what_the_table_told(
    small_finished: Path, dicom_scan: Path
) -> None:
    ours, theirs = _log(dicom_scan), _log(small_finished)
    assert ours.exposure == theirs.exposure
    assert ours.exposure.kv_max == 160.0
    assert [check.value for check in ours.checks] == [check.value for check in theirs.checks]
    left_out = [[frame.why_not for frame in log.frames] for log in (ours, theirs)]
    assert left_out[0] == left_out[1]


def _frames(dataset: Dataset) -> list[Dataset]:
    return list(own_value(dataset, Own.FRAMES))


def test_the_export_refers_to_frames_that_came_in_dicom(dicom_scan: Path, tmp_path: Path) -> None:
    export_strip(dicom_scan / "result", tmp_path / "out", Wishes(wanted="processing"))
    dataset = pydicom.dcmread(tmp_path / "out/processing.dcm")
    used = [frame for frame in _frames(dataset) if own_value(frame, Own.USED) == "YES"]
    sources = dataset.SourceImageSequence
    assert len(sources) == len(used) == 30
    assert [one.ReferencedSOPInstanceUID for one in sources] == [f"1.2.3.{k}" for k in range(3, 33)]
    codes = {one.PurposeOfReferenceCodeSequence[0].CodeValue for one in sources}
    assert codes == {"121329"}
    assert all(float(frame.GPSLongitude[0]) == 25.0 for frame in used)
    assert used[0].AcquisitionDateTime == "20260302063012+0000"


def test_a_calibration_from_dicom_exposures_is_the_same(small_scan: Path, tmp_path: Path) -> None:
    folder = tmp_path / "scan"
    folder.mkdir()
    config = (small_scan / "calibrate.toml").read_text()
    sets = [path.name for path in small_scan.iterdir() if path.name.startswith(("dark", "flat"))]
    for name in sets:
        (folder / name).mkdir()
        for path in (small_scan / name).glob("*.tif"):
            write_dicom(folder / name / f"{path.stem}.dcm", tifffile.imread(path))
    config = config.replace("[[exposures]]", '[[exposures]]\nformat = "dicom"')
    (folder / "calibrate.toml").write_text(config)
    run_calibrate(load_calibrate_config(folder / "calibrate.toml"))
    ours = read_calibration(folder / "calibration")
    theirs = read_calibration(small_scan / "calibration")
    for name in ("dark", "gain", "classes"):
        np.testing.assert_array_equal(getattr(ours, name), getattr(theirs, name))
    assert ours.facts.acceptance == theirs.facts.acceptance
