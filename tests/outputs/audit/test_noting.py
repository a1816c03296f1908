"""Where a file's audit log lies: never in a folder that must stay as it was made."""

from __future__ import annotations

from pathlib import Path

import pytest

from pipeline.outputs.audit.noting import log_parent


@pytest.mark.parametrize(
    ("marks", "file", "parent"),
    [
        (["dicom/export.json"], "dicom/marks.dcm", "."),
        (["result/quality.json", "result/dicom/export.json"], "result/dicom/marks.dcm", "."),
        (["bag/bagit.txt", "bag/data/result/quality.json"], "bag/data/result/strip.dcm", "."),
        (["bag/bagit.txt", "bag/data/dicom/export.json"], "bag/data/dicom/marks.dcm", "."),
        (["other/notes.txt"], "other/strip.dcm", "."),
    ],
)
def test_the_log_lies_beside(tmp_path: Path, marks: list[str], file: str, parent: str) -> None:
    for name in (*marks, file):
        (tmp_path / name).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / name).touch()
    assert log_parent(tmp_path / file) == tmp_path / parent
