"""Files that were cut short are found out, wherever they were cut, and whole ones never."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pydicom
import pytest
from pydicom.uid import (
    DeflatedExplicitVRLittleEndian,
    ExplicitVRBigEndian,
    ExplicitVRLittleEndian,
    ImplicitVRLittleEndian,
)

from pipeline.errors import SendError
from pipeline.outputs.dicom.export import Wishes, export_strip
from pipeline.outputs.send.instance import read_instance
from tests.outputs.send.dicom_files import write_file


@pytest.mark.parametrize("compression", ["none", "jpeg-ls", "jpeg-2000"])
def test_exports(small_finished: Path, tmp_path: Path, compression: str) -> None:
    """Images with plain and with encapsulated pixels, and a state that has none."""
    out = tmp_path / "out"
    export_strip(small_finished / "result", out, Wishes(compression=compression))  # type: ignore[arg-type]
    rng = np.random.default_rng(7)
    for path in out.glob("*.dcm"):
        read_instance(path)
        whole = path.read_bytes()
        for cut in (*rng.integers(1500, len(whole), 25), len(whole) - 1):
            path.write_bytes(whole[:cut])
            with pytest.raises(SendError, match=r"cut short|can't be read|doesn't say|no DICOM"):
                read_instance(path)


@pytest.mark.parametrize(
    "syntax", [ExplicitVRLittleEndian, ImplicitVRLittleEndian, ExplicitVRBigEndian]
)
def test_every_way_of_writing(tmp_path: Path, syntax: str) -> None:
    path = write_file(tmp_path / "a.dcm", "W-1")
    image = pydicom.dcmread(path)
    image.PixelData = image.pixel_array.astype(">u2" if "Big" in syntax.name else "<u2").tobytes()
    image.AnatomicRegionSequence = [pydicom.Dataset()]
    image.AnatomicRegionSequence.is_undefined_length = True
    image.file_meta.TransferSyntaxUID = syntax
    pydicom.dcmwrite(path, image)
    read_instance(path)
    whole = path.read_bytes()
    path.write_bytes(whole + b"\0")  # as some programs leave at the end
    read_instance(path)
    for cut in (1, 2, 4000, len(whole) - 500):
        path.write_bytes(whole[:-cut])
        with pytest.raises(SendError, match=r"cut short|can't be read|doesn't say|no DICOM"):
            read_instance(path)


def test_a_deflated_file_is_taken_as_it_is(tmp_path: Path) -> None:
    path = write_file(tmp_path / "a.dcm", "W-1")
    image = pydicom.dcmread(path)
    image.file_meta.TransferSyntaxUID = DeflatedExplicitVRLittleEndian
    pydicom.dcmwrite(path, image, enforce_file_format=True)
    assert read_instance(path).weld == "W-1"
