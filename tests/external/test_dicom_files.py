"""Exported files read and judged by other programs: dcmtk 3.6 and dicom3tools' dciodvfy.

``EXPLAINED`` is every kind of message that dciodvfy may have; the same table with the reasons
stands in DEVELOPERS.md.
"""

from __future__ import annotations

import re
from collections import Counter
from pathlib import Path

import cv2
import numpy as np
import pydicom
import pytest
from pydicom.encaps import get_frame

from pipeline.io.strip import read_strip
from pipeline.outputs.dicom.export import Wishes, export_strip

from .dicom_tools import call, dcmtk_pixels, need

INDICATIONS = "id,kind,s_first_mm,s_last_mm,z_first_mm,z_last_mm,note\n1,pore,10,12,-1,1,1 mm\n"

EXPLAINED = {
    r"Error - Empty attribute \(no value\) Type 1C Conditional Element=<PatientOrientation> "
    r"Module=<DXImage>",
    r"Warning - Attribute is not present in standard DICOM IOD - \(0x(0014|0016),0x....\) .*",
    r"Warning - Attribute is not present in standard DICOM IOD - \(0x0018,0x9332\) FD .*",
    r"Warning - Attribute is not present in standard DICOM IOD - \(0x0048,0x....\) .*",
    r"Warning - Attribute is not present in standard DICOM IOD - \(0x0040,0xa30a\) DS .*",
    r"Warning - Attribute is not present in standard DICOM IOD - \(0x0040,0x08ea\) SQ .*",
    r"Warning - Attribute is not present in standard DICOM IOD - \(0x0008,0x010[024]\) .*",
    r"Warning - Dicom dataset contains attributes not present in standard DICOM IOD.*",
    r"\(0x0019,0x10..\)  \?  - Warning - Unrecognized tag - assuming explicit value .*",
    r"Warning - Value dubious for this VR - .* PN .* - Retired Person Name form",
    r"Warning - is only permitted to be empty when actually unknown; .* attribute <Laterality>",
}


@pytest.fixture(scope="module")
def files(small_finished: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """An export with indications, uncompressed."""
    folder = tmp_path_factory.mktemp("dicom")
    (folder / "indications.csv").write_text(INDICATIONS, encoding="utf-8")
    wishes = Wishes(indications=folder / "indications.csv")
    return export_strip(small_finished / "result", folder / "out", wishes).folder


def _judged(path: Path) -> list[str]:
    """What dciodvfy says; it ends with 1 where it says Error."""
    told = call("dciodvfy", path, codes=(0, 1))
    return [line for line in told.splitlines() if line.strip()]


@pytest.mark.parametrize("name", ["processing", "presentation", "marks"])
def test_the_validator_says_nothing_that_is_not_explained(files: Path, name: str) -> None:
    need("dciodvfy")
    said = _judged(files / f"{name}.dcm")
    kinds = {"DXImageForProcessing", "DXImageForPresentation", "GrayscaleSoftcopyPresentationState"}
    assert kinds & set(said), "it must know what it judges"
    other = [
        line
        for line in said
        if line not in kinds and not any(re.fullmatch(known, line) for known in EXPLAINED)
    ]
    assert Counter(other) == Counter()


def test_the_validator_finds_a_fault_that_is_put_in(files: Path, tmp_path: Path) -> None:
    """Or its silence would mean nothing."""
    need("dciodvfy", "dcmodify")
    spoilt = tmp_path / "spoilt.dcm"
    spoilt.write_bytes((files / "processing.dcm").read_bytes())
    call("dcmodify", "-nb", "-e", "(0018,1164)", spoilt)
    assert any(line.startswith("Error - Missing attribute") for line in _judged(spoilt))


@pytest.mark.parametrize("name", ["processing", "presentation"])
def test_dcmtk_reads_the_strips_pixels(
    small_finished: Path, files: Path, tmp_path: Path, name: str
) -> None:
    need("dcmdump", "dcmconv")
    strip, _ = read_strip(small_finished / "result/strip.tif")
    path = files / f"{name}.dcm"
    assert dcmtk_pixels(path, tmp_path) == strip.astype("<u2").tobytes()
    call("dcmconv", "+te", path, tmp_path / "again.dcm")
    assert dcmtk_pixels(tmp_path / "again.dcm", tmp_path) == strip.astype("<u2").tobytes()
    shown = call("dcmdump", "-q", "+P", "0010,0020", "+P", "0014,0054", path)
    assert "[W-0001]" in shown
    assert "[114.3]" in shown


def test_dcmtk_decodes_our_jpeg_ls(small_finished: Path, tmp_path: Path) -> None:
    need("dcmdjpls", "dcmdump")
    strip, _ = read_strip(small_finished / "result/strip.tif")
    export_strip(small_finished / "result", tmp_path / "out", Wishes(compression="jpeg-ls"))
    call("dcmdjpls", tmp_path / "out/presentation.dcm", tmp_path / "plain.dcm")
    assert dcmtk_pixels(tmp_path / "plain.dcm", tmp_path) == strip.astype("<u2").tobytes()


def test_jpeg_2000_is_decoded_by_opencvs_own_library(small_finished: Path, tmp_path: Path) -> None:
    """dcmtk has no JPEG 2000. OpenCV carries an OpenJPEG of its own, apart from imagecodecs'."""
    strip, _ = read_strip(small_finished / "result/strip.tif")
    export_strip(small_finished / "result", tmp_path / "out", Wishes(compression="jpeg-2000"))
    dataset = pydicom.dcmread(tmp_path / "out/processing.dcm")
    coded = get_frame(dataset.PixelData, 0, number_of_frames=1)
    decoded = cv2.imdecode(np.frombuffer(coded, np.uint8), cv2.IMREAD_UNCHANGED)
    np.testing.assert_array_equal(decoded, strip)


def test_the_presentation_is_rendered_as_told(
    small_finished: Path, files: Path, tmp_path: Path
) -> None:
    """dcmtk's dcmj2pnm applies the file's own window and polarity: a film-like negative, by the
    formula of PS3.3 C.11.2.1.2 here."""
    need("dcmj2pnm")
    call("dcmj2pnm", "+Wi", "1", "+opw", files / "presentation.dcm", tmp_path / "shown.pgm")
    shown = cv2.imread(str(tmp_path / "shown.pgm"), cv2.IMREAD_UNCHANGED).astype(float)
    header = pydicom.dcmread(files / "presentation.dcm", stop_before_pixels=True)
    strip, _ = read_strip(small_finished / "result/strip.tif")
    centre, width = float(header.WindowCenter), float(header.WindowWidth)
    light = np.clip((strip - (centre - 0.5)) / (width - 1) + 0.5, 0, 1)
    np.testing.assert_allclose(shown / 65535, 1 - light, atol=2e-4)


def test_dcmtk_accepts_the_presentation_state(files: Path, tmp_path: Path) -> None:
    """Its checker of presentation states, and its own application of ours to our image."""
    need("dcmpschk", "dcmp2pgm")
    assert "Test passed" in call("dcmpschk", files / "marks.dcm")
    shown = tmp_path / "shown.pgm"
    call("dcmp2pgm", "-p", files / "marks.dcm", files / "presentation.dcm", shown)
    assert shown.read_bytes().startswith(b"P5")
