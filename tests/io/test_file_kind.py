"""What a file is where it isn't the kind that was expected."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest

from pipeline.io.dicom import inspect_dicom
from pipeline.io.file_kind import kind_of_file
from pipeline.io.tiff import inspect_tiff

from .frame_files import SHAPE, random_images, write_dicom


@pytest.mark.parametrize(
    ("name", "kind"),
    [
        ("a.png", "a PNG picture"),
        ("a.jpg", "a JPEG picture"),
        ("a.bmp", "a BMP picture"),
        ("a.tif", "a TIFF"),
        ("a.dcm", "a DICOM file"),
        ("a.txt", ""),
        ("empty", ""),
        ("none", ""),
    ],
)
def test_kinds_as_their_writers_write_them(tmp_path: Path, name: str, kind: str) -> None:
    path = tmp_path / name
    if name == "a.dcm":
        write_dicom(path, random_images(1))
    elif name == "a.txt":
        path.write_text("Prüfbericht", encoding="utf-8")
    elif name == "empty":
        path.touch()
    elif kind:
        assert cv2.imwrite(str(path), np.zeros((8, 8), np.uint8))
    assert kind_of_file(path) == kind


def test_a_picture_of_another_kind_is_called_by_its_kind(tmp_path: Path) -> None:
    path = tmp_path / "a.tif"
    assert cv2.imwrite(str(tmp_path / "a.png"), np.zeros((8, 8), np.uint8))
    (tmp_path / "a.png").rename(path)
    tiff = str(inspect_tiff(path, "a.tif", [0], SHAPE)[0])
    dicom = str(inspect_dicom(path, "a.tif", [0], SHAPE)[0])
    assert tiff.startswith("a.tif: is not a readable TIFF: it is a PNG picture; expected")
    assert dicom.startswith("a.tif: is not readable as DICOM: it is a PNG picture; expected")
    path.write_bytes(b"nothing known" * 100)
    tiff = str(inspect_tiff(path, "a.tif", [0], SHAPE)[0])
    dicom = str(inspect_dicom(path, "a.tif", [0], SHAPE)[0])
    assert tiff.startswith("a.tif: is not a readable TIFF: it doesn't begin like one;")
    assert dicom.startswith("a.tif: is not readable as DICOM: it doesn't begin like one;")
