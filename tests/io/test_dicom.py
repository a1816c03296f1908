"""DICOM frames: stored values come through exactly, and what isn't such a frame is refused."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pydicom
import pytest
from pydicom.uid import (
    JPEG2000,
    MPEG4HP41,
    UID,
    DeflatedExplicitVRLittleEndian,
    ExplicitVRBigEndian,
    ExplicitVRLittleEndian,
    ImplicitVRLittleEndian,
    JPEGLSNearLossless,
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
        ({"PixelIntensityRelationship": "LOG"}, "aren't linear in dose"),
        ({"PixelIntensityRelationshipSign": -1}, "fall with dose"),
        ({"LossyImageCompression": "01"}, "compressed with loss"),
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


@pytest.mark.parametrize(
    ("elements", "brightest"),
    [
        ({"PixelRepresentation": 1}, 2**15 - 1),
        ({"BitsStored": 12, "HighBit": 11}, 2**12 - 1),
        ({"PixelRepresentation": 1, "BitsStored": 14, "HighBit": 13}, 2**13 - 1),
    ],
)
def test_values_beyond_what_the_header_allows_are_never_taken_for_bright_ones(
    tmp_path: Path, elements: dict[str, Any], brightest: int
) -> None:
    """A negative value's bits would otherwise read as a gray value near 65535."""
    path = tmp_path / "frame.dcm"
    image = random_images(1)[0] % (brightest + 1)
    image[3, 4] = brightest
    out = np.empty(SHAPE, np.uint16)
    for compress in (False, True):
        write_dicom(path, image, **elements)
        if compress:
            _compress_rle(path)
        page = inspect_dicom(path, "frame.dcm", [0], SHAPE)[0]
        assert not isinstance(page, FrameError)
        page.read(out)
        np.testing.assert_array_equal(out, image)
    image[3, 4] = brightest + 1
    write_dicom(path, image, **elements)
    page = inspect_dicom(path, "frame.dcm", [0], SHAPE)[0]
    assert not isinstance(page, FrameError)
    with pytest.raises(FrameError, match=rf"page 0: has 1 values outside of 0 to {brightest}"):
        page.read(out)


def test_a_frame_of_another_panel_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "frame.dcm"
    write_dicom(path, random_images(1)[0], DetectorID="OTHER-2")
    fault = inspect_dicom(path, "frame.dcm", [0], SHAPE, "TEST-1")[0]
    assert isinstance(fault, FrameError)
    assert "comes from the detector OTHER-2 (DetectorID); expected the panel TEST-1" in str(fault)
    # A DetectorID has room for 16 characters, a serial number may be longer.
    for told, serial in (("TEST-1", "TEST-1"), ("ABCDEFGHIJKLMNOP", "ABCDEFGHIJKLMNOPQR")):
        write_dicom(path, random_images(1)[0], DetectorID=told)
        assert isinstance(inspect_dicom(path, "", [0], SHAPE, serial)[0], PlainPage)


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


@pytest.mark.parametrize(
    "syntax", [MPEG4HP41, DeflatedExplicitVRLittleEndian, JPEGLSNearLossless, JPEG2000]
)
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


def _compress_rle(path: Path) -> None:
    dataset = pydicom.dcmread(path)
    dataset.compress(RLELossless, generate_instance_uid=False)
    dataset.save_as(path)


def _write_rle(path: Path) -> bytearray:
    write_dicom(path, random_images(1)[0])
    _compress_rle(path)
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
