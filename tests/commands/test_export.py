"""``girthstrip export``: what it prints, what it refuses, how it ends."""

from __future__ import annotations

import json
from pathlib import Path

import pydicom
import pytest

from pipeline.cli import run


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
    assert "never accepts or rejects a weld" in told


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (["--window", "8000"], "is no window"),
        (["--window", "21000,8000"], "the lower first"),
        (["--window", "nan,8000"], "is no window"),
        (["--reviewed", "yesterday"], "is no date"),
        (["--compress", "jpeg"], "'jpeg' is not one of"),
        (["--indications", "nothing.csv"], "nothing.csv"),
        (["--previous", "nothing.dcm"], "nothing.dcm"),
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
