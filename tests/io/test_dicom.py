"""DICOM frames: stored values come through exactly, and what isn't such a frame is refused."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pydicom
import pytest
from pydicom.uid import (
    MPEG4HP41,
    UID,
    DeflatedExplicitVRLittleEndian,
    ExplicitVRBigEndian,
    ExplicitVRLittleEndian,
    ImplicitVRLittleEndian,
    RLELossless,
)

from pipeline.errors import FrameError
from pipeline.io.dicom import CodedDicomPage, inspect_dicom
from pipeline.io.page import PlainPage

from .frame_files import SHAPE, random_images, write_dicom


def _fault(path: Path, page: int = 0) -> str:
    found = inspect_dicom(path, path.name, [page], SHAPE)[page]
    assert isinstance(found, FrameError)
    return str(found)


@pytest.mark.parametrize(
    ("syntax", "kind"),
    [
        (ExplicitVRLittleEndian, PlainPage),
        (ImplicitVRLittleEndian, PlainPage),
        (ExplicitVRBigEndian, PlainPage),
        (RLELossless, CodedDicomPage),
    ],
    ids=["explicit", "implicit", "big_endian", "rle"],
)
def test_every_frame_has_the_stored_values(tmp_path: Path, syntax: UID, kind: type) -> None:
    images = random_images(3)
    path = tmp_path / "frames.dcm"
    if syntax == RLELossless:
        write_dicom(path, images)
        dataset = pydicom.dcmread(path)
        dataset.compress(RLELossless, generate_instance_uid=False)
        dataset.save_as(path)
    else:
        write_dicom(path, images, syntax)
    pages = inspect_dicom(path, path.name, None, SHAPE)
    assert sorted(pages) == [0, 1, 2]
    out = np.empty(SHAPE, np.uint16)
    for number, page in pages.items():
        assert isinstance(page, kind)
        page.read(out)
        np.testing.assert_array_equal(out, images[number])


def test_rescale_and_monochrome1_change_nothing_but_the_mark(tmp_path: Path) -> None:
    image = random_images(1)[0]
    path = tmp_path / "frame.dcm"
    write_dicom(
        path,
        image,
        PhotometricInterpretation="MONOCHROME1",
        RescaleSlope="2",
        RescaleIntercept="-100",
    )
    page = inspect_dicom(path, "", [0], SHAPE)[0]
    assert isinstance(page, PlainPage)
    assert page.inverted
    out = np.empty(SHAPE, np.uint16)
    page.read(out)
    np.testing.assert_array_equal(out, image)


@pytest.mark.parametrize(
    ("elements", "message"),
    [
        ({"PhotometricInterpretation": "RGB", "SamplesPerPixel": 3}, "not a gray picture"),
        ({"PhotometricInterpretation": "PALETTE COLOR"}, "PALETTE COLOR"),
        ({"BitsAllocated": 8, "BitsStored": 8, "HighBit": 7}, "values of 8 bits"),
        ({"PixelRepresentation": 1}, "signed"),
        ({"BitsStored": 12, "HighBit": 15}, "highest bit 15"),
        ({"Rows": None}, "has no Rows"),
        ({"PixelData": None}, "has no PixelData"),
        ({"Columns": SHAPE[1] - 1}, "48 rows × 63 columns; expected 48 rows × 64 columns"),
        ({"Rows": 65535, "Columns": 65535, "NumberOfFrames": 2**31 - 1}, "65535 rows"),
        ({"NumberOfFrames": 2**31 - 1}, "claims to hold 2147483647 frames"),
        ({"NumberOfFrames": 2}, "page 1: has 6144 bytes of pixels where 12288 belong"),
    ],
)
def test_another_kind_of_picture_is_refused(
    tmp_path: Path, elements: dict[str, Any], message: str
) -> None:
    path = tmp_path / "frame.dcm"
    write_dicom(path, random_images(1)[0], **elements)
    page = 1 if "NumberOfFrames" in elements else 0
    fault = _fault(path, page)
    assert fault.startswith("frame.dcm")
    assert message in fault


def test_12_bits_stored_low_are_accepted(tmp_path: Path) -> None:
    image = random_images(1)[0] >> 4
    path = tmp_path / "frame.dcm"
    write_dicom(path, image, BitsStored=12, HighBit=11)
    out = np.empty(SHAPE, np.uint16)
    page = inspect_dicom(path, "", [0], SHAPE)[0]
    assert not isinstance(page, FrameError)
    page.read(out)
    np.testing.assert_array_equal(out, image)


def test_truncation_shows_in_the_header(tmp_path: Path) -> None:
    path = tmp_path / "frames.dcm"
    write_dicom(path, random_images(2))
    path.write_bytes(path.read_bytes()[:-2])
    pages = inspect_dicom(path, path.name, [0, 1], SHAPE)
    assert isinstance(pages[0], PlainPage)
    assert "page 1: is cut short" in str(pages[1])


def test_what_is_no_dicom_at_all(tmp_path: Path) -> None:
    text, empty = tmp_path / "text.dcm", tmp_path / "empty.dcm"
    text.write_text("file,position_mm\n" * 20)
    empty.touch()
    assert "text.dcm: is not readable as DICOM" in _fault(text)
    assert "is empty (0 bytes)" in _fault(empty)
    assert "doesn't exist" in _fault(tmp_path / "none.dcm")


def test_frame_past_the_end(tmp_path: Path) -> None:
    path = tmp_path / "frames.dcm"
    write_dicom(path, random_images(2))
    assert "frames.dcm, page 2: isn't there: the file holds 2 pages" in _fault(path, 2)


@pytest.mark.parametrize("syntax", [MPEG4HP41, DeflatedExplicitVRLittleEndian])
def test_compression_that_cannot_be_read_is_named(tmp_path: Path, syntax: UID) -> None:
    path = tmp_path / "frame.dcm"
    if syntax.is_deflated:
        write_dicom(path, random_images(1)[0], syntax)
    else:
        _write_rle(path)
        dataset = pydicom.dcmread(path)
        dataset.file_meta.TransferSyntaxUID = syntax
        dataset.save_as(path)
    fault = _fault(path)
    assert f"compressed in a way that isn't supported here ({syntax.name})" in fault
    assert fault.endswith("Export the frames uncompressed")


def _write_rle(path: Path) -> bytearray:
    write_dicom(path, random_images(1)[0])
    dataset = pydicom.dcmread(path)
    dataset.compress(RLELossless, generate_instance_uid=False)
    dataset.save_as(path)
    return bytearray(path.read_bytes())


def test_compressed_file_that_is_cut_short(tmp_path: Path) -> None:
    path = tmp_path / "frame.dcm"
    path.write_bytes(_write_rle(path)[:-3000])
    assert "frame.dcm: holds nothing that can be read; it may be cut short" in _fault(path)


def test_damage_inside_compressed_pixels_is_found_at_reading(tmp_path: Path) -> None:
    path = tmp_path / "frame.dcm"
    raw = _write_rle(path)
    raw[-3000:-100] = b"\x80" * 2900  # does nothing in RLE: too few pixels
    path.write_bytes(raw)
    page = inspect_dicom(path, path.name, [0], SHAPE)[0]
    assert isinstance(page, CodedDicomPage)
    with pytest.raises(FrameError, match=r"frame.dcm, page 0: is damaged"):
        page.read(np.empty(SHAPE, np.uint16))
