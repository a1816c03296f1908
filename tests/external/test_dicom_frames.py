"""Frames that dcmtk and OpenCV compressed without loss are read as they were."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import cv2
import numpy as np
import pydicom
import pytest
from pydicom.encaps import encapsulate
from pydicom.uid import JPEG2000, JPEG2000Lossless

from pipeline.errors import FrameError
from pipeline.io.dicom import inspect_dicom
from pipeline.io.dicom_pixels import CodedDicomPage
from pipeline.io.page import Page

from ..io.frame_files import SHAPE, random_images, write_dicom
from .dicom_tools import call, need


def _pages(path: Path) -> dict[int, Page]:
    found = inspect_dicom(path, path.name, None, SHAPE)
    pages = {number: page for number, page in found.items() if not isinstance(page, FrameError)}
    assert len(pages) == len(found), found
    return pages


def _read(page: Page) -> np.ndarray:
    out = np.empty(SHAPE, np.uint16)
    page.read(out)
    return out


@pytest.mark.parametrize(
    "command",
    [
        ["dcmcjpls", "+el"],  # JPEG-LS lossless
        ["dcmcjpeg", "+e1"],  # JPEG lossless, first-order prediction
        ["dcmcjpeg", "+el", "+sv", "6"],  # JPEG lossless, another prediction
        ["dcmcrle"],
    ],
    ids=["jpeg_ls", "jpeg_lossless_sv1", "jpeg_lossless", "rle"],
)
@pytest.mark.parametrize("frames", [1, 3])
def test_compressed_by_dcmtk(tmp_path: Path, command: list[str], frames: int) -> None:
    need(command[0])
    images = random_images(frames)
    images[0, :, :20] = 65535  # runs as well as noise
    write_dicom(tmp_path / "plain.dcm", images, InstanceNumber="1")
    coded = tmp_path / "coded.dcm"
    call(*command, tmp_path / "plain.dcm", coded)
    pages = _pages(coded)
    assert sorted(pages) == list(range(frames))
    assert all(isinstance(page, CodedDicomPage) for page in pages.values())
    with ThreadPoolExecutor(4) as pool:  # pages are read from several threads at once
        for number, read in enumerate(pool.map(_read, pages.values())):
            np.testing.assert_array_equal(read, images[number])


def _jpeg_2000(image: np.ndarray) -> bytes:
    """A codestream by OpenCV's OpenJPEG: what is inside the last box of its JP2 file."""
    done, coded = cv2.imencode(".jp2", image, [cv2.IMWRITE_JPEG2000_COMPRESSION_X1000, 1000])
    assert done
    data = coded.tobytes()
    return data[data.index(b"jp2c") + 4 :]


@pytest.mark.parametrize("lossless", ["00", None])
@pytest.mark.parametrize("syntax", [JPEG2000Lossless, JPEG2000])
def test_jpeg_2000_by_opencv(tmp_path: Path, syntax: str, lossless: str | None) -> None:
    """The general JPEG 2000 syntax may be lossy, so there the header has to say that it isn't."""
    image = random_images(1)[0]
    path = tmp_path / "frame.dcm"
    write_dicom(path, image)
    dataset = pydicom.dcmread(path)
    dataset.file_meta.TransferSyntaxUID = syntax
    dataset.PixelData = encapsulate([_jpeg_2000(image)])
    dataset["PixelData"].is_undefined_length = True
    if lossless:
        dataset.LossyImageCompression = lossless
    dataset.save_as(path)
    found = inspect_dicom(path, "frame.dcm", [0], SHAPE)[0]
    if syntax == JPEG2000 and not lossless:
        assert "compressed in a way that isn't supported" in str(found)
    else:
        assert not isinstance(found, FrameError)
        np.testing.assert_array_equal(_read(found), image)


def test_signed_frames_of_dcmtk(tmp_path: Path) -> None:
    need("dcmcjpls")
    image = random_images(1)[0] >> 1
    write_dicom(tmp_path / "plain.dcm", image, PixelRepresentation=1, InstanceNumber="1")
    call("dcmcjpls", "+el", tmp_path / "plain.dcm", tmp_path / "coded.dcm")
    np.testing.assert_array_equal(_read(_pages(tmp_path / "coded.dcm")[0]), image)


def test_damage_inside_is_found_at_reading(tmp_path: Path) -> None:
    need("dcmcjpls")
    write_dicom(tmp_path / "plain.dcm", random_images(1)[0], InstanceNumber="1")
    coded = tmp_path / "coded.dcm"
    call("dcmcjpls", "+el", tmp_path / "plain.dcm", coded)
    raw = bytearray(coded.read_bytes())
    raw[-3000:-1000] = bytes(2000)
    coded.write_bytes(raw)
    page = _pages(coded)[0]
    with pytest.raises(FrameError, match=r"coded.dcm, page 0: is damaged"):
        _read(page)
