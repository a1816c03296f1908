"""What isn't known is left out, or empty where the standard wants the element: never invented."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

import pipeline.outputs.dicom.export as export_module
from pipeline.errors import InputError, OutputError
from pipeline.outputs.dicom.private import Own, own_value
from tests.weld_folder import leftovers

from .exported import change_log, copy_of, export, log_of, read


def test_unknown_people_and_times(small_finished: Path, tmp_path: Path) -> None:
    result = copy_of(small_finished, tmp_path / "weld")
    (result.parent / "frames/frames.csv").unlink()
    change_log(
        result,
        lambda log: {
            "weld": replace(
                log.weld, operator="", evaluator="", line="", station="", procedure="", material=""
            ),
            "exposure": replace(
                log.exposure,
                first_time=None,
                last_time=None,
                kv_min=158.0,
                ma_min=None,
                ma_max=None,
            ),
        },
    )
    done = export(result, tmp_path / "out")
    dataset = read(tmp_path / "out/processing.dcm")
    for keyword in ("StudyDate", "StudyTime", "ContentDate", "PatientName", "AccessionNumber"):
        assert keyword in dataset, f"{keyword} is of type 2"
        assert not dataset[keyword].value
    absent = (
        *("OperatorsName", "EvaluatorSequence", "ProtocolName", "AcquisitionDateTime"),
        *("TimezoneOffsetFromUTC", "KVP", "XRayTubeCurrentInuA", "ExposureInmAs"),
        *("GPSLatitude", "MaterialPropertiesDescription", "DetectorTemperature"),
    )
    assert [keyword for keyword in absent if keyword in dataset] == []
    assert dataset.ExposureTime == 2000, "all frames had the same"
    assert all("GPSLatitude" not in frame for frame in own_value(dataset, Own.FRAMES))
    assert not (tmp_path / "out/marks.dcm").exists()
    assert len(done.remarks) == 2
    assert "frames.csv isn't there any more" in done.remarks[0]
    assert "--reviewed" in done.remarks[1]


def test_a_frame_table_that_was_changed_is_not_believed(
    small_finished: Path, tmp_path: Path
) -> None:
    result = copy_of(small_finished, tmp_path / "weld")
    table = result.parent / "frames/frames.csv"
    table.write_text(table.read_text().replace("-25.00000", "-24.00000"))
    done = export(result, tmp_path / "out")
    assert "was changed after the strip was made" in done.remarks[0]
    assert "GPSLatitude" not in read(tmp_path / "out/processing.dcm")


def test_another_calibration_in_its_place_is_not_taken_for_it(
    small_finished: Path, tmp_path: Path
) -> None:
    result = copy_of(small_finished, tmp_path / "weld")
    change_log(result, lambda log: {"calibration": replace(log.calibration, identity="ab" * 32)})
    (result / "strip.tif").write_bytes(
        (result / "strip.tif").read_bytes().replace(_identity(small_finished), b"ab" * 32)
    )
    (result / "maps.tif").write_bytes(
        (result / "maps.tif").read_bytes().replace(_identity(small_finished), b"ab" * 32)
    )
    done = export(result, tmp_path / "out")
    assert "the calibration abababababab isn't in" in done.remarks[0]
    dataset = read(tmp_path / "out/processing.dcm")
    assert "ab" * 32 in dataset.CalibrationNotes
    assert "GainCorrectionReferenceSequence" not in dataset


def _identity(finished: Path) -> bytes:
    return log_of(finished / "result").calibration.identity.encode()


def test_names_that_dicom_cannot_hold_as_they_are(small_finished: Path, tmp_path: Path) -> None:
    """A backslash separates values and a caret parts of names (PS3.5 6.2); long texts are whole in
    the comments."""
    result = copy_of(small_finished, tmp_path / "weld")
    procedure = "RT\\7 " + "rev. B, second part of the third supplement " * 3
    change_log(
        result,
        lambda log: {
            "weld": replace(
                log.weld, operator="Ø. Ex^am=ple\\X", procedure=procedure, line="Łine 5"
            )
        },
    )
    export(result, tmp_path / "out")
    dataset = read(tmp_path / "out/processing.dcm")
    assert dataset.OperatorsName == "Ø. Ex am ple/X"
    assert str(dataset.PatientName) == "Łine 5"
    assert len(dataset.ProtocolName) <= 64
    assert dataset.ProtocolName.startswith("RT/7 rev. B")
    assert dataset.ProtocolName.endswith("...")
    assert procedure.strip() in dataset.PatientComments


@pytest.mark.parametrize("number", ["W" * 65, "A\\B", "A\nB", " A"])
def test_a_weld_is_never_called_by_half_its_number(
    small_finished: Path, tmp_path: Path, number: str
) -> None:
    result = copy_of(small_finished, tmp_path / "weld")
    change_log(result, lambda log: {"weld": replace(log.weld, id=number)})
    _forget(result, "weld")
    with pytest.raises(InputError, match="can't stand in a DICOM file"):
        export(result, tmp_path / "out")
    assert not (tmp_path / "out").exists()


def _forget(result: Path, fact: str) -> None:
    """The images forget a fact, so that the log's is not held against it."""
    for path in (result / "strip.tif", result / "maps.tif"):
        told = f'"{fact}"'.encode()
        path.write_bytes(path.read_bytes().replace(told, told.upper()))


@pytest.mark.parametrize(
    ("spoil", "message"),
    [
        (lambda result: (result / "config.toml").unlink(), "has no config.toml"),
        (lambda result: (result / "quality.json").unlink(), "has no quality.json"),
        (lambda result: (result / "strip.tif").write_bytes(b"II"), "strip.tif"),
        (lambda result: (result / "quality.json").write_text("{}"), "schema is None"),
    ],
)
def test_what_is_no_result_is_refused(
    small_finished: Path, tmp_path: Path, spoil: object, message: str
) -> None:
    result = copy_of(small_finished, tmp_path / "weld")
    spoil(result)  # type: ignore[operator]
    with pytest.raises(InputError, match=message):
        export(result, tmp_path / "out")
    with pytest.raises(InputError, match="doesn't exist"):
        export(tmp_path / "nothing", tmp_path / "out")
    assert not (tmp_path / "out").exists()


def test_the_folder_appears_whole_or_not_at_all(
    small_finished: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fail(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(export_module, "write_dataset", fail)
    with pytest.raises(OutputError, match="no room is left"):
        export(small_finished / "result", tmp_path / "out")
    assert not (tmp_path / "out").exists()
    assert leftovers(tmp_path) == []
    monkeypatch.undo()
    export(small_finished / "result", tmp_path / "out")
    with pytest.raises(OutputError, match="already exists"):
        export(small_finished / "result", tmp_path / "out")


@pytest.mark.parametrize(("shot", "repair"), [("R1", "R1"), ("R2RS1", "R2"), ("RS1", None)])
def test_a_weld_shot_again_is_another_examination(
    small_finished: Path, exported: Path, tmp_path: Path, shot: str, repair: str | None
) -> None:
    result = copy_of(small_finished, tmp_path / "weld")
    change_log(result, lambda log: {"weld": replace(log.weld, shot=shot)})
    _forget(result, "shot")
    export(result, tmp_path / "out")
    first, again = read(exported / "processing.dcm"), read(tmp_path / "out/processing.dcm")
    assert again.StudyInstanceUID != first.StudyInstanceUID
    assert again.PatientID == first.PatientID
    assert again.get("RepairID") == repair
    assert f"shot: {shot}" in again.PatientComments
    assert again.StudyDescription == f"Girth weld W-0001 {shot}"
