"""What the images hold: the strip's gray values, its ruler, and every fact that is known.

Keywords, representations and multiplicities are checked by pydicom's copy of PS3.6 (``read``
raises where a value doesn't conform); dcmtk and dicom3tools look in ``tests/external``.
"""

from __future__ import annotations

import csv
import hashlib
import json
import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from pydicom.pixels import apply_windowing
from pydicom.uid import JPEG2000Lossless, JPEGLSLossless

from pipeline.geometry import Arrangement, ScanGeometry, project
from pipeline.io.dicom import inspect_dicom
from pipeline.io.dicom_header import FrameHeader
from pipeline.io.page import Page
from pipeline.io.strip import read_maps, read_strip, write_strip
from pipeline.outputs.dicom.acquisition import magnification
from pipeline.outputs.dicom.finished import read_finished
from pipeline.outputs.dicom.frames import source_frames
from pipeline.outputs.dicom.private import Own, own_value

from .exported import change_log, copy_of, elements, export, log_of, read

IMAGES = ("processing", "presentation")


@pytest.mark.parametrize("name", IMAGES)
def test_gray_values_are_the_strips(small_finished: Path, exported: Path, name: str) -> None:
    strip, _ = read_strip(small_finished / "result/strip.tif")
    dataset = read(exported / f"{name}.dcm")
    np.testing.assert_array_equal(dataset.pixel_array, strip)
    assert (dataset.BitsStored, dataset.HighBit, dataset.PixelRepresentation) == (16, 15, 0)
    assert (dataset.PixelIntensityRelationship, dataset.PixelIntensityRelationshipSign) == (
        "LIN",
        1,
    )
    assert dataset.LossyImageCompression == "00"
    digest = hashlib.sha256(strip.astype("<u2").tobytes()).hexdigest()
    assert own_value(dataset, Own.PIXELS_SHA256) == digest


@pytest.mark.parametrize(
    ("compression", "syntax"), [("jpeg-ls", JPEGLSLossless), ("jpeg-2000", JPEG2000Lossless)]
)
def test_compression_loses_nothing_and_is_the_same_instance(
    small_finished: Path, exported: Path, tmp_path: Path, compression: str, syntax: str
) -> None:
    """PS3.5: compressed without loss, an image stays the same instance. dcmtk decodes it in
    tests/external; here imagecodecs, through the reader of frames."""
    export(small_finished / "result", tmp_path / "out", compression=compression)
    plain, coded = read(exported / "processing.dcm"), read(tmp_path / "out/processing.dcm")
    assert coded.file_meta.TransferSyntaxUID == syntax
    assert coded.SOPInstanceUID == plain.SOPInstanceUID
    page = inspect_dicom(
        tmp_path / "out/processing.dcm", "processing.dcm", [0], plain.pixel_array.shape
    )[0]
    out = np.empty(plain.pixel_array.shape, np.uint16)
    assert not isinstance(page, Exception)
    reader: Page = page
    reader.read(out)
    np.testing.assert_array_equal(out, plain.pixel_array)
    sizes = [(folder / "processing.dcm").stat().st_size for folder in (exported, tmp_path / "out")]
    assert sizes[1] < 0.8 * sizes[0]


def test_the_ruler_is_the_logs(small_finished: Path, exported: Path) -> None:
    """Pixel to millimetres by the transform: the strip's own formula (DEVELOPERS.md, axes)."""
    strip = log_of(small_finished / "result").strip
    dataset = read(exported / "presentation.dcm")
    assert [float(v) for v in dataset.PixelSpacing] == pytest.approx(
        [strip.pitch_mm] * 2, rel=1e-12
    )
    assert dataset.PixelSpacingCalibrationType == "GEOMETRY"
    assert dataset.PixelSpacingCalibrationDescription.startswith("Outer surface: diameter 114.3")
    transform = dataset.CoordinateSystemTransformSequence[0]
    matrix = np.reshape(
        [float(v) for v in transform.CoordinateSystemTransformRotationAndScaleMatrix], (2, 2)
    )
    shift = np.array([float(v) for v in transform.CoordinateSystemTransformTranslationMatrix])
    for column, row in ((0, 0), (1234, 56)):
        s_mm, z_mm = matrix @ (column, row) + shift
        assert s_mm == pytest.approx(strip.s_first_mm + column * strip.pitch_mm, abs=1e-8)
        assert z_mm == pytest.approx(strip.z_first_mm + row * strip.pitch_mm, abs=1e-8)
    # PS3.3 C.8.11.4: at the panel the spacing is larger by the magnification.
    magnified = float(dataset.EstimatedRadiographicMagnificationFactor)
    assert float(dataset.ImagerPixelSpacing[0]) == pytest.approx(
        float(dataset.PixelSpacing[0]) * magnified, rel=1e-10
    )
    assert magnified == pytest.approx(
        float(dataset.DistanceSourceToDetector) / float(dataset.DistanceSourceToPatient), rel=1e-10
    )
    assert [float(v) for v in dataset.DetectorElementSpacing] == [0.1, 0.1]


def test_who_what_where_and_how(exported: Path) -> None:
    """The facts that the scan's preset and its job sheet state."""
    dataset = read(exported / "processing.dcm")
    assert dataset.PatientID == "W-0001"
    assert "station: 0+000" in dataset.PatientComments
    assert dataset.OperatorsName == "A. Example"
    assert dataset.EvaluatorSequence[0].EvaluatorName == "B. Example"
    assert dataset.ProtocolName == "RT-EXAMPLE-1"
    assert (float(dataset.OuterDiameter), float(dataset.InnerDiameter)) == (114.3, 102.3)
    assert float(dataset.MaterialThickness) == 6.0
    assert dataset.MaterialPropertiesDescription == "carbon steel"
    assert (float(dataset.KVP), float(dataset.XRayTubeCurrentInuA)) == (160.0, 3000.0)
    assert (dataset.ExposureTime, dataset.ExposureInmAs) == (2000, 6.0)
    assert (dataset.StudyDate, dataset.StudyTime) == ("20260302", "063012")
    assert dataset.TimezoneOffsetFromUTC == "+0000"
    assert dataset.DetectorID == "SIM-0001"
    assert dataset.ImageType[:2] == ["DERIVED", "PRIMARY"]


def test_calibration_and_its_dark_gain_and_bad_pixels(small_finished: Path, exported: Path) -> None:
    told = json.loads((small_finished / "calibration/calibration.json").read_text())
    dataset = read(exported / "processing.dcm")
    notes = dataset.CalibrationNotes
    assert told["identity"] in notes
    assert f"bad pixels: {told['facts']['bad_pixels']['total']} of 122880" in notes
    gain = dataset.GainCorrectionReferenceSequence[0]
    flats = [e for e in told["facts"]["exposures"] if e["kind"] == "flat"]
    assert float(gain.NumberOfFramesUsedForIntegration) == sum(len(e["files"]) for e in flats)
    assert "dark: mean of" in dataset.DarkCurrentSequence[0].CalibrationNotes


def _decimal(dataset: object, name: str, negative: str) -> float:
    degree, minute, second = (float(v) for v in getattr(dataset, f"GPS{name}"))
    sign = -1 if getattr(dataset, f"GPS{name}Ref") == negative else 1
    return sign * (degree + minute / 60 + second / 3600)


def test_every_frame_with_its_place_time_and_digest(small_finished: Path, exported: Path) -> None:
    with (small_finished / "frames/frames.csv").open(newline="") as file:
        table = list(csv.DictReader(file))
    log, dataset = log_of(small_finished / "result"), read(exported / "processing.dcm")
    frames = own_value(dataset, Own.FRAMES)
    assert len(frames) == len(table) == 32
    for row, frame, logged in zip(table, frames, log.frames, strict=True):
        path = small_finished / "frames" / row["file"]
        assert own_value(frame, Own.FILE) == row["file"]
        assert own_value(frame, Own.SHA256) == hashlib.sha256(path.read_bytes()).hexdigest()
        assert own_value(frame, Own.USED) == ("YES" if logged.used else "NO")
        assert own_value(frame, Own.POSITION_MM) == logged.position_mm
        assert float(frame.KVP) == float(row["kv"])
        assert frame.AcquisitionDateTime == row["time"].translate(str.maketrans("", "", "-:T"))
        assert _decimal(frame, "Latitude", "S") == pytest.approx(float(row["latitude"]), abs=1e-9)
        assert _decimal(frame, "Longitude", "W") == pytest.approx(float(row["longitude"]), abs=1e-9)
    assert _decimal(dataset, "Longitude", "W") == pytest.approx(-25.0)
    assert dataset.GPSMapDatum == "WGS-84"


def test_the_quality_log_travels_whole(small_finished: Path, exported: Path) -> None:
    dataset = read(exported / "presentation.dcm")
    text = (small_finished / "result/quality.json").read_text()
    assert own_value(dataset, Own.QUALITY_LOG) == text
    digest = hashlib.sha256(text.encode()).hexdigest()
    assert own_value(dataset, Own.QUALITY_LOG_SHA256) == digest
    assert digest in dataset.DerivationDescription


def test_only_the_image_for_presentation_has_a_window(exported: Path) -> None:
    """PS3.3 A.26: the VOI LUT module shall be there for presentation, and not for processing."""
    processing, presentation = (read(exported / f"{name}.dcm") for name in IMAGES)
    assert "WindowCenter" not in processing
    assert (processing.PhotometricInterpretation, processing.PresentationLUTShape) == (
        "MONOCHROME2",
        "IDENTITY",
    )
    assert (presentation.PhotometricInterpretation, presentation.PresentationLUTShape) == (
        "MONOCHROME1",
        "INVERSE",
    )
    source = presentation.SourceImageSequence[0]
    assert source.ReferencedSOPInstanceUID == processing.SOPInstanceUID
    assert source.PurposeOfReferenceCodeSequence[0].CodeMeaning == "For Processing predecessor"


def test_a_window_is_shown_from_its_low_to_its_high_value(
    small_finished: Path, tmp_path: Path
) -> None:
    """By pydicom's own windowing of the two ends (PS3.3 C.11.2.1.2)."""
    export(
        small_finished / "result", tmp_path / "out", window=(8000.0, 21000.0), polarity="positive"
    )
    dataset = read(tmp_path / "out/presentation.dcm")
    assert dataset.PhotometricInterpretation == "MONOCHROME2"
    shown = apply_windowing(np.array([7000, 8000, 14500, 21000, 22000], np.uint16), dataset)
    np.testing.assert_allclose(shown, np.array([0, 0, 0.5, 1, 1]) * 65535, atol=3)


def test_what_no_frame_covered_is_padding(small_finished: Path, exported: Path) -> None:
    origin = read_maps(small_finished / "result/maps.tif").origin
    dataset = read(exported / "processing.dcm")
    assert (origin == 0).any(), "this ring has notches at its edges"
    assert dataset.PixelPaddingValue == 0
    assert (dataset.pixel_array[origin == 0] == 0).all()


def test_no_number_is_longer_than_its_representation_allows(exported: Path) -> None:
    """PS3.5 6.2: a decimal string has at most 16 characters."""
    numbers = [e for name in IMAGES for e in elements(read(exported / f"{name}.dcm"))]
    decimal = [e for e in numbers if e.VR == "DS"]
    assert len(decimal) > 100
    for element in decimal:
        values = element.value if element.VM > 1 else [element.value]
        assert all(len(str(value)) <= 16 and math.isfinite(float(value)) for value in values)


@pytest.mark.parametrize("arrangement", list(Arrangement))
def test_magnification_is_the_projections(small_finished: Path, arrangement: Arrangement) -> None:
    """A millimetre along the pipe, in a frame's middle, as ``geometry.project`` throws it onto the
    panel (checked by other means in ``tests/external/test_projection.py``)."""
    finished = read_finished(small_finished / "result")
    log, job = finished.log, finished.job
    told = job.geometry.model_copy(
        update={"arrangement": arrangement.value, "source_distance_mm": 180.0}
    )
    facts = replace(log.geometry, arrangement=arrangement.value, standoff_mm=12.0)
    weld = replace(
        finished,
        log=replace(log, geometry=facts),
        job=job.model_copy(update={"geometry": told}),
    )
    geometry = ScanGeometry(log.weld.diameter_mm / 2, 12.0, arrangement, source_distance_mm=180.0)
    _, v = project(geometry, geometry.source(0.0), 0.0, 1.0)
    assert magnification(weld) == pytest.approx(float(v), rel=1e-12)


def test_frames_of_one_file_are_referred_to_by_number(small_finished: Path) -> None:
    """PS3.3 10.3: frames count from 1; pages of the frame table from 0."""
    finished = read_finished(small_finished / "result")
    frames = [replace(one, file="all.dcm", page=k) for k, one in enumerate(finished.log.frames)]
    header = FrameHeader(32, "1.2.840.10008.5.1.4.1.1.7.3", "1.2.3", False, (1.0, 0.0))
    several = replace(
        finished, log=replace(finished.log, frames=tuple(frames)), headers={"all.dcm": header}
    )
    (source,) = source_frames(several)
    assert source.ReferencedSOPInstanceUID == "1.2.3"
    assert source.ReferencedFrameNumber == list(range(3, 33))


def test_a_measured_zero_is_told(small_finished: Path, tmp_path: Path) -> None:
    result = copy_of(small_finished, tmp_path / "weld")
    strip, told = read_strip(result / "strip.tif")
    strip[100, 100:103] = 0
    pitch_mm = told.pop("pitch_mm")
    write_strip(result / "strip.tif", strip, pitch_mm=pitch_mm, metadata=told)
    change_log(result, lambda log: {"strip": replace(log.strip, pixels_sha256=None)})
    (remark,) = export(result, tmp_path / "out").remarks
    assert remark.startswith("3 pixels were measured as 0")
