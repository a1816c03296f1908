"""TIFF pages: every kind that is read gives the exact values, every fault is told apart."""

from __future__ import annotations

import struct
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import tifffile

from pipeline.errors import FrameError
from pipeline.io.page import PlainPage
from pipeline.io.tiff import CodedPage, inspect_tiff

from .frame_files import SHAPE, Images, random_images


def _read(path: Path, page: int = 0) -> Images:
    found = inspect_tiff(path, path.name, [page], SHAPE)[page]
    assert not isinstance(found, FrameError), str(found)
    out = np.full(SHAPE, 1, np.uint16)
    found.read(out)
    return out


def _fault(path: Path, page: int = 0) -> str:
    found = inspect_tiff(path, path.name, [page], SHAPE)[page]
    assert isinstance(found, FrameError)
    return str(found)


@pytest.mark.parametrize(
    "options",
    [
        {},
        {"byteorder": ">"},
        {"bigtiff": True},
        {"rowsperstrip": 7},
        {"rowsperstrip": 7, "byteorder": ">"},
        {"photometric": "miniswhite"},
    ],
    ids=str,
)
def test_uncompressed_pages_are_read_straight_from_their_bytes(
    tmp_path: Path, options: dict[str, Any]
) -> None:
    images = random_images(3)
    path = tmp_path / "frames.tif"
    tifffile.imwrite(path, images, **{"photometric": "minisblack", **options})
    pages = inspect_tiff(path, path.name, None, SHAPE)
    assert sorted(pages) == [0, 1, 2]
    for number, page in pages.items():
        assert isinstance(page, PlainPage)
        assert len(page.runs) == 1  # strips that follow each other are one read
        assert page.inverted == (options.get("photometric") == "miniswhite")
        np.testing.assert_array_equal(_read(path, number), images[number])


@pytest.mark.parametrize(
    "options",
    [
        {"compression": "zlib"},
        {"compression": "zlib", "predictor": True, "byteorder": ">", "rowsperstrip": 5},
        {"compression": "lzw", "predictor": True},
        {"compression": "packbits"},
        {"compression": "zstd", "tile": (32, 32)},
        {"tile": (16, 48)},
    ],
    ids=str,
)
def test_compressed_and_tiled_pages_are_decoded(tmp_path: Path, options: dict[str, Any]) -> None:
    images = random_images(2)
    path = tmp_path / "frames.tif"
    tifffile.imwrite(path, images, photometric="minisblack", **options)
    assert isinstance(inspect_tiff(path, "", [1], SHAPE)[1], CodedPage)
    np.testing.assert_array_equal(_read(path, 1), images[1])


def test_strips_apart_from_each_other_are_put_together(tmp_path: Path) -> None:
    image = random_images(1)[0]
    path = tmp_path / "frame.tif"
    tifffile.imwrite(path, image, rowsperstrip=SHAPE[0] // 2, metadata=None)
    with tifffile.TiffFile(path, mode="r+b") as tiff:
        page = tiff.pages.first
        first, second = page.dataoffsets
        tiff.filehandle.seek(0, 2)
        moved = tiff.filehandle.tell() + 10
        page.tags["StripOffsets"].overwrite((first, moved))
    raw = path.read_bytes()
    half = image.nbytes // 2
    path.write_bytes(raw + b"\0" * (moved - len(raw)) + raw[second : second + half])
    found = inspect_tiff(path, "", [0], SHAPE)[0]
    assert isinstance(found, PlainPage)
    assert len(found.runs) == 2
    np.testing.assert_array_equal(_read(path), image)


@pytest.mark.parametrize(
    ("image", "message"),
    [
        (np.zeros((*SHAPE, 3), np.uint8), "colour picture"),
        (np.zeros((*SHAPE, 3), np.uint16), "colour picture"),
        (np.zeros(SHAPE, np.uint8), "values of 8 bits"),
        (np.zeros(SHAPE, np.int16), r"16 bits \(int16\)"),
        (np.zeros(SHAPE, np.float32), r"32 bits \(float32\)"),
        (np.zeros((SHAPE[0], SHAPE[1] + 1), np.uint16), "48 rows × 65 columns"),
        (np.zeros(SHAPE[::-1], np.uint16), "look exchanged"),
    ],
    ids=["rgb8", "rgb16", "uint8", "int16", "float32", "size", "exchanged"],
)
def test_another_kind_of_picture_is_refused(
    tmp_path: Path, image: np.ndarray[Any, Any], message: str
) -> None:
    path = tmp_path / "frame.tif"
    photometric = "rgb" if image.ndim == 3 else "minisblack"
    tifffile.imwrite(path, image, photometric=photometric)
    fault = _fault(path)
    assert fault.startswith("frame.tif, page 0: ")
    with pytest.raises(FrameError, match=message):
        raise FrameError(fault)


def test_packed_12_bit_values_are_refused(tmp_path: Path) -> None:
    path = tmp_path / "frame.tif"
    tifffile.imwrite(path, np.zeros(SHAPE, np.uint16))
    with tifffile.TiffFile(path, mode="r+b") as tiff:
        tiff.pages.first.tags["BitsPerSample"].overwrite(12)
    assert "values of 12 bits" in _fault(path)


def test_header_alone_has_no_page(tmp_path: Path) -> None:
    path = tmp_path / "frame.tif"
    path.write_bytes(b"II*\0\0\0\0\0")
    assert "page 0: isn't there: the file holds 0 pages" in _fault(path)
    assert list(inspect_tiff(path, "x", None, SHAPE)) == [0]


def test_page_without_pixels_is_incomplete(tmp_path: Path) -> None:
    path = tmp_path / "frame.tif"
    tags = ((256, SHAPE[1]), (257, SHAPE[0]), (258, 16), (259, 1), (262, 1), (277, 1))
    ifd = b"".join(struct.pack("<HHII", code, 4, 1, value) for code, value in tags)
    path.write_bytes(b"II*\0\x08\0\0\0" + struct.pack("<H", len(tags)) + ifd + b"\0\0\0\0")
    assert "has a header but no pixels" in _fault(path)


def test_absurd_header_is_refused_by_its_size(tmp_path: Path) -> None:
    path = tmp_path / "frame.tif"
    tifffile.imwrite(path, np.zeros(SHAPE, np.uint16))
    with tifffile.TiffFile(path, mode="r+b") as tiff:
        tags = tiff.pages.first.tags
        tags["ImageWidth"].overwrite(10_000_000, dtype="I")
        tags["ImageLength"].overwrite(20_000_000, dtype="I")  # 364 TiB in all
    assert "20000000 rows × 10000000 columns; expected 48 rows × 64 columns" in _fault(path)


@pytest.mark.parametrize("compression", [None, "zlib"])
def test_truncation_shows_in_the_header(tmp_path: Path, compression: str | None) -> None:
    path = tmp_path / "frame.tif"
    tifffile.imwrite(path, random_images(1)[0], compression=compression, metadata=None)
    whole = path.read_bytes()
    path.write_bytes(whole[:-1])
    assert f"its pixels end at byte {len(whole)}, the file at {len(whole) - 1}" in _fault(path)


@pytest.mark.parametrize("size", [1, 4, 8, 20, 100])
def test_file_cut_within_its_header_is_refused(tmp_path: Path, size: int) -> None:
    path = tmp_path / "frame.tif"
    tifffile.imwrite(path, random_images(1)[0], metadata=None)
    path.write_bytes(path.read_bytes()[:size])
    assert _fault(path).startswith("frame.tif")


def test_what_is_no_tiff_at_all(tmp_path: Path) -> None:
    text, empty = tmp_path / "text.tif", tmp_path / "empty.tif"
    text.write_text("file,position_mm\n")
    empty.touch()
    assert "text.tif: is not a readable TIFF" in _fault(text)
    assert "empty.tif: is empty (0 bytes)" in _fault(empty)
    assert "none.tif: doesn't exist" in _fault(tmp_path / "none.tif")
    assert "is a folder" in _fault(tmp_path)


def test_page_past_the_end(tmp_path: Path) -> None:
    path = tmp_path / "frames.tif"
    tifffile.imwrite(path, random_images(2), photometric="minisblack")
    assert "frames.tif, page 2: isn't there: the file holds 2 pages" in _fault(path, 2)


def test_damage_inside_compressed_pixels_is_found_at_reading(tmp_path: Path) -> None:
    path = tmp_path / "frame.tif"
    tifffile.imwrite(path, random_images(1)[0], compression="zlib", metadata=None)
    raw = bytearray(path.read_bytes())
    raw[-3000:-2000] = bytes(1000)
    path.write_bytes(raw)
    with pytest.raises(FrameError, match=r"frame.tif, page 0: is damaged"):
        _read(path)


def test_compressed_strip_that_is_too_short_leaves_no_old_pixels(tmp_path: Path) -> None:
    path = tmp_path / "frame.tif"
    tifffile.imwrite(path, random_images(1)[0, :24], compression="zlib", metadata=None)
    with tifffile.TiffFile(path, mode="r+b") as tiff:
        tags = tiff.pages.first.tags
        tags["ImageLength"].overwrite(SHAPE[0])
        tags["RowsPerStrip"].overwrite(SHAPE[0])
    with pytest.raises(FrameError, match="can't be decoded"):
        _read(path)


@pytest.mark.parametrize("tail", [0, 100])
def test_file_that_shrinks_after_the_check(tmp_path: Path, tail: int) -> None:
    path = tmp_path / "frame.tif"
    tifffile.imwrite(path, random_images(1)[0])
    page = inspect_tiff(path, "frame.tif", [0], SHAPE)[0]
    path.write_bytes(path.read_bytes()[:tail])
    assert isinstance(page, PlainPage)
    with pytest.raises(FrameError, match="ends before its pixels do; expected the file as it was"):
        page.read(np.empty(SHAPE, np.uint16))


def test_random_damage_never_escapes_as_anything_but_a_frame_error(tmp_path: Path) -> None:
    rng = np.random.default_rng(20)
    originals = []
    for name, options in (("plain", {}), ("zlib", {"compression": "zlib", "rowsperstrip": 8})):
        path = tmp_path / name
        tifffile.imwrite(path, random_images(2), photometric="minisblack", **options)
        originals.append(path.read_bytes())
    out = np.empty(SHAPE, np.uint16)
    refused = 0
    for trial in range(600):
        raw = bytearray(originals[trial % 2])
        for _ in range(rng.integers(1, 6)):
            raw[rng.integers(400)] = rng.choice([0, 1, 127, 128, 255, rng.integers(256)])
        path = tmp_path / "damaged.tif"
        path.write_bytes(raw[: rng.integers(1, len(raw))] if trial % 5 == 0 else raw)
        for page in inspect_tiff(path, path.name, None, SHAPE).values():
            try:
                if isinstance(page, FrameError):
                    raise page
                page.read(out)
            except FrameError:
                refused += 1
    assert refused > 100  # the damage does reach the reader
