"""``girthstrip export``: what it prints, what it refuses, how it ends."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pydicom
import pytest
from pydicom.dataset import Dataset

from pipeline.cli import run
from pipeline.errors import OutputError
from pipeline.io.folders import new_folder
from pipeline.outputs.dicom.files import write_dataset


def _run(capsys: pytest.CaptureFixture[str], *words: object) -> tuple[int, str, str]:
    code = run(["export", *map(str, words)])
    return code, *capsys.readouterr()


def test_files_are_listed(
    small_finished: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "out"
    code, told, _ = _run(capsys, small_finished / "result", out, "--for", "presentation", "--json")
    assert code == 0
    record = json.loads(told)
    assert [one["file"] for one in record["files"]] == ["presentation.dcm", "marks.dcm"]
    assert record["schema"] == "girthstrip.export/1"
    assert sorted(path.name for path in out.iterdir()) == [
        "export.json",
        "marks.dcm",
        "presentation.dcm",
    ]
    code, _, err = _run(capsys, small_finished / "result", out)
    assert code == 2
    assert "already exists" in err
    code, told, _ = _run(capsys, small_finished / "result", out, "--replace")
    assert code == 0
    assert told.count("file  ") == 3
    assert f"{out / 'marks.dcm'} ({(out / 'marks.dcm').stat().st_size / 1e3:.1f} kB)" in told
    assert "never accepts or rejects a weld" in told


def test_a_forged_audit_log_is_told_and_not_built_upon(
    small_finished: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    result = tmp_path / "work" / "result"
    shutil.copytree(small_finished / "result", result)
    assert _run(capsys, result, tmp_path / "one")[0] == 0
    (record,) = (tmp_path / "work" / "audit-log").rglob("000001.json")
    forged = record.read_text().replace('"export"', '"stitch"')
    record.chmod(0o644)
    record.write_text(forged)
    code, told, err = _run(capsys, result, tmp_path / "two")
    assert code == 0
    assert "presentation.dcm" in told
    assert "done, but the audit log doesn't know of it" in err
    assert "000001.json: has been changed since it was made" in err
    assert [path.name for path in record.parent.iterdir()] == ["000001.json"]
    assert run(["archive", "audit", str(tmp_path / "work"), "--frames", "0", "--quiet"]) == 0
    assert "An audit log that isn't as it was written" in capsys.readouterr().out


def test_a_full_disk_is_told_in_our_words(tmp_path: Path) -> None:
    """Linux's /dev/full stands for the disk."""
    data = Dataset()
    data.SOPClassUID, data.SOPInstanceUID = (
        pydicom.uid.DigitalXRayImageStorageForProcessing,
        "2.25.1",
    )
    data.ImageComments = "x" * 10_000
    data.PatientComments = "x" * 10_000
    with (
        pytest.raises(OutputError, match="no room is left on the disk") as caught,
        new_folder(tmp_path / "out") as folder,
    ):
        (folder / "marks.dcm").symlink_to("/dev/full")
        write_dataset(folder / "marks.dcm", data)
    assert "Traceback" not in str(caught.value)
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (["--window", "8000"], "is no window"),
        (["--window", "21000,8000"], "the lower first"),
        (["--window", "nan,8000"], "is no window"),
        (["--reviewed", "yesterday"], "is no date"),
        (["--compress", "jpeg"], "'jpeg' is not one of"),
        (["--indications", "nothing.csv"], "nothing.csv"),
        (["--previous", "nothing.dcm"], "nothing.dcm: isn't there"),
        (["--reviewed", "2999-01-01"], "still to come"),
    ],
)
def test_wrong_calls_are_explained(
    small_finished: Path,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    words: list[str],
    message: str,
) -> None:
    code, _, err = _run(capsys, small_finished / "result", tmp_path / "out", *words)
    assert code == 2
    assert message in err
    assert not (tmp_path / "out").exists()


def test_options_reach_the_files(
    small_finished: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "out"
    code, _, _ = _run(
        *(capsys, small_finished / "result", out, "--compress", "jpeg-ls", "--window"),
        *("5000,30000", "--polarity", "positive", "--reviewed", "2026-03-04"),
    )
    assert code == 0
    image = pydicom.dcmread(out / "presentation.dcm")
    assert image.file_meta.TransferSyntaxUID == pydicom.uid.JPEGLSLossless
    assert (float(image.WindowCenter), float(image.WindowWidth)) == (17500.5, 25001)
    assert image.WindowCenterWidthExplanation == "Positive: 5000 to 30000"
    assert pydicom.dcmread(out / "marks.dcm").PresentationCreationDate == "20260304"


@pytest.mark.parametrize("where", ["frames", "calibration"])
def test_nothing_is_written_among_what_it_was_made_from(
    small_finished: Path, capsys: pytest.CaptureFixture[str], where: str
) -> None:
    code, _, err = _run(capsys, small_finished / "result", small_finished / where / "dicom")
    assert code == 2
    assert "where nothing is ever written" in err
    assert not (small_finished / where / "dicom").exists()


def test_a_damaged_result_is_no_fault_of_the_program(
    small_finished: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    result = Path(shutil.copytree(small_finished, tmp_path / "weld")) / "result"
    (result / "positions.csv").unlink()  # not exported, but known to the audit log
    code, _, err = _run(capsys, result, tmp_path / "out")
    assert code == 0
    assert "doesn't know of it" in err
    assert "The result isn't whole any more" in err
    assert "log that isn't as it was made" not in err
    (result / "quality.json").write_bytes(b"\xef\x00garbage\xff")
    code, _, err = _run(capsys, result, tmp_path / "out2")
    assert (code, "quality.json: can't be read" in err) == (2, True)
