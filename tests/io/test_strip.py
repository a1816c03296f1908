"""Strip and maps as files: exact, true to scale, the same bytes every time, in bounded memory."""

from __future__ import annotations

import tracemalloc
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import tifffile

from pipeline.errors import InputError
from pipeline.io.digest import sha256_file
from pipeline.io.strip import read_maps, read_strip, write_maps, write_strip
from pipeline.io.tiled_tiff import open_writer, tile_shape, write_page

METADATA = {"scale": 1.5, "offset": 0, "weld": "Schweißnaht 12", "refined": ["a", None]}


def _strip(rows: int, columns: int, seed: int = 0) -> np.ndarray[Any, np.dtype[np.uint16]]:
    return np.random.default_rng(seed).integers(0, 65536, (rows, columns), dtype=np.uint16)


@pytest.mark.parametrize(
    "shape", [(1, 1), (1, 700), (17, 5), (320, 3000), (513, 2049), (1600, 600)]
)
def test_strip_comes_back_exactly(tmp_path: Path, shape: tuple[int, int]) -> None:
    path = tmp_path / "strip.tif"
    strip = _strip(*shape)
    write_strip(path, strip, pitch_mm=0.1, metadata=METADATA)
    read, metadata = read_strip(path)
    np.testing.assert_array_equal(read, strip)
    assert read.dtype == np.uint16
    assert metadata == {**METADATA, "pitch_mm": 0.1}


def test_the_same_strip_gives_the_same_bytes(tmp_path: Path) -> None:
    strip = _strip(400, 5000)
    for name in ("a.tif", "b.tif"):
        write_strip(tmp_path / name, strip, pitch_mm=0.1, metadata=METADATA)
    assert sha256_file(tmp_path / "a.tif") == sha256_file(tmp_path / "b.tif")


def test_a_view_is_written_like_a_copy(tmp_path: Path) -> None:
    big = _strip(400, 6000)
    write_strip(tmp_path / "a.tif", big[::2, 100:3000], pitch_mm=0.1, metadata={})
    write_strip(tmp_path / "b.tif", big[::2, 100:3000].copy(), pitch_mm=0.1, metadata={})
    assert sha256_file(tmp_path / "a.tif") == sha256_file(tmp_path / "b.tif")


def test_overviews_are_reduced_pages_and_levels(tmp_path: Path) -> None:
    path = tmp_path / "strip.tif"
    strip = _strip(640, 4098)
    write_strip(path, strip, pitch_mm=0.127, metadata=METADATA)
    with tifffile.TiffFile(path) as tiff:
        assert [page.shape for page in tiff.pages] == [
            (640, 4098),
            (320, 2049),
            (160, 1025),
            (80, 513),
            (40, 257),
        ]
        assert [level.shape for level in tiff.series[0].levels] == [p.shape for p in tiff.pages]
        assert [int(page.subfiletype) for page in tiff.pages] == [0, 1, 1, 1, 1]
        mean = strip.reshape(320, 2, 2049, 2).astype(float).mean(axis=(1, 3))
        # Rounding to whole gray values; exactly half goes up.
        np.testing.assert_array_equal(tiff.pages[1].asarray(), np.floor(mean + 0.5))
        for number, page in enumerate(tiff.pages):
            assert page.is_tiled
            assert page.tags["ResolutionUnit"].value == 3  # centimetres
            for name in ("XResolution", "YResolution"):
                over, under = page.tags[name].value
                assert over / under * 0.0127 * 2**number == pytest.approx(1, rel=1e-9)
        assert tiff.pages[0].tags["ImageDescription"].value.isascii()
        assert tiff.pages[0].software == "girthstrip"
        assert "DateTime" not in tiff.pages[0].tags


@pytest.mark.parametrize(
    ("rows", "height"), [(1, 16), (400, 400), (512, 512), (513, 272), (1600, 400), (1152, 384)]
)
def test_tile_height_pads_little(rows: int, height: int) -> None:
    assert tile_shape(rows) == (height, 512)


@pytest.mark.parametrize("rows", range(600, 3000, 37))
def test_no_other_tile_height_pads_less(rows: int) -> None:
    padded = -(-rows // tile_shape(rows)[0]) * tile_shape(rows)[0]
    assert padded == min(-(-rows // h) * h for h in range(256, 513, 16))


def test_writing_holds_no_second_strip(tmp_path: Path) -> None:
    strip = np.zeros((1600, 20_000), np.uint16)
    tracemalloc.start()
    write_strip(tmp_path / "strip.tif", strip, pitch_mm=0.1, metadata={})
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    # The first two overviews, 1/4 + 1/16 of the strip, beside 8 MiB of tiles in work and as many
    # bytes again of what predictor and compressor make of them.
    assert peak < strip.nbytes * 0.32 + 20 * 2**20


@pytest.mark.parametrize(("pixel_bytes", "version"), [(2**30, 42), (2**32 - 2**26, 43)])
def test_large_files_are_bigtiff(tmp_path: Path, pixel_bytes: int, version: int) -> None:
    path = tmp_path / "strip.tif"
    with open_writer(path, pixel_bytes) as tiff:
        write_page(tiff, _strip(20, 20), pitch_mm=0.1, description=None)
    assert path.read_bytes()[:4] == bytes([*b"II", version, 0])


def test_maps_come_back_exactly(tmp_path: Path) -> None:
    path = tmp_path / "maps.tif"
    rng = np.random.default_rng(1)
    count = rng.integers(0, 5, (300, 1100), dtype=np.uint8)
    origin = rng.integers(0, 3, (300, 1100), dtype=np.uint8)
    sigma = _strip(300, 1100)
    write_maps(
        path, count=count, origin=origin, sigma=sigma, pitch_mm=0.1, metadata={"sigma_scale": 0.01}
    )
    maps = read_maps(path)
    np.testing.assert_array_equal(maps.count, count)
    np.testing.assert_array_equal(maps.origin, origin)
    np.testing.assert_array_equal(maps.sigma, sigma)
    assert maps.metadata == {"sigma_scale": 0.01, "pitch_mm": 0.1}
    with tifffile.TiffFile(path) as tiff:
        assert [page.shape for page in tiff.pages] == [(300, 1100)] * 3


def test_wrong_arrays_are_refused(tmp_path: Path) -> None:
    path = tmp_path / "strip.tif"
    good = np.zeros((4, 4), np.uint8)
    with pytest.raises(ValueError, match="strip must be 2-D uint16"):
        write_strip(path, good, pitch_mm=0.1, metadata={})  # type: ignore[arg-type]
    with pytest.raises(ValueError, match="strip must be 2-D uint16"):
        write_strip(path, np.zeros((0, 4), np.uint16), pitch_mm=0.1, metadata={})
    with pytest.raises(ValueError, match=r"sigma is \(5, 4\), count \(4, 4\)"):
        write_maps(
            path,
            count=good,
            origin=good,
            sigma=np.zeros((5, 4), np.uint16),
            pitch_mm=0.1,
            metadata={},
        )
    with pytest.raises(ValueError, match="not JSON compliant"):
        write_strip(path, np.zeros((4, 4), np.uint16), pitch_mm=0.1, metadata={"x": float("nan")})


def test_other_files_are_not_taken_for_results(tmp_path: Path) -> None:
    path = tmp_path / "strip.tif"
    with pytest.raises(InputError, match=r"strip.tif: can't be read"):
        read_strip(path)
    path.write_bytes(b"no TIFF")
    with pytest.raises(InputError, match="can't be read"):
        read_strip(path)
    path.write_bytes(b"II*\0\0\0\0\0")
    with pytest.raises(InputError, match="has no page 0"):
        read_strip(path)
    tifffile.imwrite(path, np.zeros((4, 4), np.uint16))
    with pytest.raises(InputError, match="page 0 was not written by girthstrip"):
        read_strip(path)
    tifffile.imwrite(path, np.zeros((4, 4), np.uint8))
    with pytest.raises(InputError, match=r"page 0 is uint8 \(4, 4\)"):
        read_strip(path)
    write_strip(path, np.zeros((40, 40), np.uint16), pitch_mm=0.1, metadata={})
    with pytest.raises(InputError, match="page 0 is uint16"):
        read_maps(path)


def test_truncated_strip_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "strip.tif"
    write_strip(path, _strip(100, 400), pitch_mm=0.1, metadata={})
    path.write_bytes(path.read_bytes()[:-100])
    with pytest.raises(InputError, match="page 0 is cut short"):
        read_strip(path)


def test_strip_that_is_damaged_inside_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "strip.tif"
    write_strip(path, _strip(100, 400), pitch_mm=0.1, metadata={})
    raw = bytearray(path.read_bytes())
    raw[-2000:-1000] = bytes(1000)
    path.write_bytes(raw)
    with pytest.raises(InputError, match="can't be read"):
        read_strip(path)
