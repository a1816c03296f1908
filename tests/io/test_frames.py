"""Scans and exposure folders: what is refused, what is left out, what is read."""

from __future__ import annotations

import errno
import os
import tracemalloc
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import tifffile

from pipeline.config.panel import Panel
from pipeline.config.weld import load_weld_config
from pipeline.errors import FrameError, TableError
from pipeline.io.frames import find_scan, open_frames, open_scan

from .frame_files import PANEL, SHAPE, frames_of, random_images, write_dicom, write_table


def _scan_folder(folder: Path, count: int = 6) -> np.ndarray[Any, Any]:
    """Single-page frames ``0.tif`` … and their table."""
    images = random_images(count)
    for number, image in enumerate(images):
        tifffile.imwrite(folder / f"{number}.tif", image)
    write_table(folder, *(f"{n}.tif,,{10 * n}" for n in range(count)))
    return images


def test_scan_of_single_and_multi_page_files_in_table_order(tmp_path: Path) -> None:
    images = random_images(4)
    (tmp_path / "sub").mkdir()
    tifffile.imwrite(tmp_path / "sub/many.tif", images[:3], photometric="minisblack")
    tifffile.imwrite(tmp_path / "one.tif", images[3], compression="zlib")
    table = write_table(tmp_path, "sub/many.tif,2,20", "one.tif,,0", "sub/many.tif,0,10")
    scan = find_scan(frames_of(tmp_path), PANEL)
    assert scan.shape == SHAPE
    assert [row.page for row in scan.rows] == [2, 0, 0]
    assert scan.problems == {}
    assert scan.files == (table, tmp_path / "sub/many.tif", tmp_path / "one.tif")
    assert scan.remarks == ("the table's positions are not sorted: they fall once",)
    out = np.empty(SHAPE, np.uint16)
    for index, image in enumerate(images[[2, 3, 0]]):
        scan.read(index, out)
        np.testing.assert_array_equal(out, image)


@pytest.mark.parametrize("columns", [False, True])
@pytest.mark.parametrize("rows", [False, True])
@pytest.mark.parametrize("height", [16, 31, 333])
def test_flips_turn_the_frame_as_the_panel_says(
    tmp_path: Path, columns: bool, rows: bool, height: int
) -> None:
    image = np.random.default_rng(3).integers(0, 65536, (height, 20), dtype=np.uint16)
    tifffile.imwrite(tmp_path / "a.tif", image)
    write_table(tmp_path, "a.tif,0,0")
    panel = Panel(
        rows=height, columns=20, pitch_mm=0.1, serial="x", flip_columns=columns, flip_rows=rows
    )
    out = np.empty(image.shape, np.uint16)
    find_scan(frames_of(tmp_path), panel).read(0, out)
    np.testing.assert_array_equal(out, image[:: -1 if rows else 1, :: -1 if columns else 1])


def test_frames_with_wrong_headers_are_left_out_and_named(tmp_path: Path) -> None:
    images = _scan_folder(tmp_path)
    (tmp_path / "1.tif").write_bytes((tmp_path / "1.tif").read_bytes()[:-8])
    (tmp_path / "4.tif").unlink()
    scan = find_scan(frames_of(tmp_path), PANEL)
    assert sorted(scan.problems) == [1, 4]
    assert scan.problems[1].startswith("1.tif, page 0: is cut short")
    assert scan.problems[4].startswith("4.tif: doesn't exist")
    assert tmp_path / "1.tif" not in scan.files
    out = np.empty(SHAPE, np.uint16)
    scan.read(5, out)
    np.testing.assert_array_equal(out, images[5])
    with pytest.raises(FrameError, match=r"1.tif, page 0: is cut short"):
        scan.read(1, out)


def test_stop_refuses_the_scan_with_every_fault_at_once(tmp_path: Path) -> None:
    _scan_folder(tmp_path)
    (tmp_path / "1.tif").write_bytes(b"")
    tifffile.imwrite(tmp_path / "3.tif", np.zeros(SHAPE, np.uint8))
    with pytest.raises(FrameError, match=r"2 of 6 frames can't be used") as caught:
        find_scan(frames_of(tmp_path, on_unreadable="stop"), PANEL)
    assert "1.tif: is empty" in str(caught.value)
    assert "3.tif, page 0: has values of 8 bits" in str(caught.value)


def test_stop_makes_a_missing_file_a_fault_of_the_table(tmp_path: Path) -> None:
    _scan_folder(tmp_path)
    (tmp_path / "1.tif").unlink()
    with pytest.raises(TableError, match=r"line 3: file '1.tif' doesn't exist"):
        find_scan(frames_of(tmp_path, on_unreadable="stop"), PANEL)


def test_more_than_half_wrong_is_refused_even_if_frames_may_be_left_out(tmp_path: Path) -> None:
    _scan_folder(tmp_path)
    for number in range(3):
        (tmp_path / f"{number}.tif").write_bytes(b"")
    assert len(find_scan(frames_of(tmp_path), PANEL).problems) == 3
    (tmp_path / "3.tif").write_bytes(b"")
    with pytest.raises(FrameError, match=r"4 of 6 frames can't be used"):
        find_scan(frames_of(tmp_path), PANEL)


def test_a_long_list_of_faults_is_cut(tmp_path: Path) -> None:
    for n in range(50):  # each cut short elsewhere, so that each is told by itself
        tifffile.imwrite(tmp_path / f"{n}.tif", np.zeros(SHAPE, np.uint16))
        whole = (tmp_path / f"{n}.tif").read_bytes()
        (tmp_path / f"{n}.tif").write_bytes(whole[: -1 - n])
    write_table(tmp_path, *(f"{n}.tif,,0" for n in range(50)))
    with pytest.raises(FrameError, match=r"19.tif, page 0: is cut short[^\n]*\n  and 30 more"):
        find_scan(frames_of(tmp_path), PANEL)


def test_one_cause_is_told_once(tmp_path: Path) -> None:
    _scan_folder(tmp_path)
    other = Panel(rows=SHAPE[0], columns=SHAPE[1] + 1, pitch_mm=0.1, serial="TEST-1")
    with pytest.raises(FrameError) as caught:
        find_scan(frames_of(tmp_path), other)
    assert str(caught.value) == (
        f"{tmp_path}: 6 of 6 frames can't be used: 0.tif, page 0; 1.tif, page 0; 2.tif, page 0 "
        "and 3 more, each: has 48 rows × 64 columns; expected 48 rows × 65 columns. Check that "
        "the frame comes from this panel in this binning mode"
    )
    (tmp_path / "frames.csv").unlink()
    with pytest.raises(FrameError, match=r"2.tif, page 0 and 3 more, each: has 48 rows"):
        open_frames(tmp_path, other, "tiff")


def test_another_spelling_of_a_missing_file_is_hinted_at(tmp_path: Path) -> None:
    _scan_folder(tmp_path)
    (tmp_path / "frame_12.tif").write_bytes((tmp_path / "1.tif").read_bytes())
    lines = [*(f"{n}.tif,,{n}" for n in (0, 2, 3, 4, 5)), "FRAME_12.TIF,,6", "frame_13.tif,,7"]
    write_table(tmp_path, *lines)
    problems = find_scan(frames_of(tmp_path), PANEL).problems
    assert problems[5].startswith("FRAME_12.TIF: doesn't exist (is 'frame_12.tif' meant?); ")
    assert problems[6].startswith("frame_13.tif: doesn't exist; ")  # another frame's name


def test_files_that_no_row_names_are_remarked(tmp_path: Path) -> None:
    _scan_folder(tmp_path)
    write_table(tmp_path, "0.tif,,0", "./1.tif,,1", "2.tif,,2")
    (tmp_path / "notes.txt").touch()
    (tmp_path / "._3.tif").touch()
    (remark,) = find_scan(frames_of(tmp_path), PANEL).remarks
    said = "no row of the frame table names 3 files beside the frames"
    assert remark == f"{said}: 3.tif, 4.tif, 5.tif"


def test_positions_are_compared_with_the_pipe_of_the_job(tmp_path: Path) -> None:
    _scan_folder(tmp_path)  # 0 … 50 mm
    config = tmp_path / "weld.toml"
    config.write_text(
        f"""
        weld = {{id = "W", diameter_mm = 159.2, wall_mm = 1}}
        panel = {{rows = {SHAPE[0]}, columns = {SHAPE[1]}, pitch_mm = 0.1, serial = "TEST-1"}}
        geometry = {{standoff_mm = 1}}
        frames = {{folder = "."}}
        strip = {{overrun_mm = 0}}
        [stages]
        sequence = ["flat_field", "bad_pixels", "distortion", "registration", "blending"]
        """,
        encoding="utf-8",
    )
    (remark,) = open_scan(load_weld_config(config)).remarks
    assert remark.startswith("the positions span 50 mm, the pipe is 500.1 mm round (are they in c")


def test_dicom_scan_tells_of_inverted_display(tmp_path: Path) -> None:
    images = random_images(2)
    write_dicom(tmp_path / "a.dcm", images, PhotometricInterpretation="MONOCHROME1")
    write_table(tmp_path, "a.dcm,0,0", "a.dcm,1,5")
    scan = find_scan(frames_of(tmp_path, format="dicom"), PANEL)
    (remark,) = scan.remarks
    assert remark.startswith("2 of 2 frames are marked for inverted display")
    out = np.empty(SHAPE, np.uint16)
    scan.read(1, out)
    np.testing.assert_array_equal(out, images[1])


def test_binary_scan(tmp_path: Path) -> None:
    images = random_images(2)
    (tmp_path / "a.raw").write_bytes(images.astype(">u2").tobytes())
    write_table(tmp_path, "a.raw,0,0", "a.raw,1,5")
    layout = {"rows": SHAPE[0], "columns": SHAPE[1], "byte_order": "big"}
    scan = find_scan(frames_of(tmp_path, format="binary", binary=layout), PANEL)
    out = np.empty(SHAPE, np.uint16)
    scan.read(1, out)
    np.testing.assert_array_equal(out, images[1])


@pytest.mark.parametrize("compression", [None, "zlib"])
def test_threads_read_at_once(tmp_path: Path, compression: str | None) -> None:
    images = random_images(8)
    tifffile.imwrite(tmp_path / "a.tif", images, compression=compression, photometric="minisblack")
    write_table(tmp_path, *(f"a.tif,{n},{n}" for n in range(8)))
    scan = find_scan(frames_of(tmp_path), PANEL)

    def is_right(job: int) -> bool:
        out = np.empty(SHAPE, np.uint16)
        scan.read(job % 8, out)
        return np.array_equal(out, images[job % 8])

    with ThreadPoolExecutor(8) as pool:
        assert all(pool.map(is_right, range(400)))


@pytest.mark.parametrize("flip", [False, True])
def test_reading_makes_no_second_frame(tmp_path: Path, flip: bool) -> None:
    panel = Panel(
        rows=1152, columns=1536, pitch_mm=0.1, serial="x", flip_columns=flip, flip_rows=flip
    )
    tifffile.imwrite(tmp_path / "a.tif", np.zeros((1152, 1536), np.uint16), byteorder=">")
    write_table(tmp_path, "a.tif,0,0")
    scan = find_scan(frames_of(tmp_path), panel)
    out = np.empty(scan.shape, np.uint16)
    tracemalloc.start()
    scan.read(0, out)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    # Flips hold a copy of 64 of the 1152 rows (6 %), two of them at most; the rest is file objects.
    assert peak < 0.15 * out.nbytes


@pytest.mark.parametrize(
    "out",
    [
        np.empty(SHAPE, np.int16),
        np.empty((SHAPE[0], SHAPE[1] + 1), np.uint16),
        np.empty((SHAPE[0], 2 * SHAPE[1]), np.uint16)[:, ::2],
    ],
)
def test_out_must_be_the_right_kind_of_array(tmp_path: Path, out: Any) -> None:
    _scan_folder(tmp_path)
    with pytest.raises(ValueError, match="out must be C-contiguous uint16"):
        find_scan(frames_of(tmp_path), PANEL).read(0, out)


def test_exposure_folder_gives_all_pages_in_name_order(tmp_path: Path) -> None:
    images = random_images(4)
    tifffile.imwrite(tmp_path / "b.TIFF", images[1:3], photometric="minisblack")
    tifffile.imwrite(tmp_path / "a.tif", images[0])
    tifffile.imwrite(tmp_path / "c.tif", images[3])
    (tmp_path / "._a.tif").write_bytes(b"left there by another system")
    (tmp_path / "notes.txt").touch()
    exposures = open_frames(tmp_path, PANEL, "tiff")
    assert len(exposures) == 4
    assert [path.name for path in exposures.files] == ["a.tif", "b.TIFF", "c.tif"]
    assert exposures.names == ("a.tif", "b.TIFF page 0", "b.TIFF page 1", "c.tif")
    out = np.empty(exposures.shape, np.uint16)
    for index, image in enumerate(images):
        exposures.read(index, out)
        np.testing.assert_array_equal(out, image)


def test_exposure_folder_with_any_fault_is_refused(tmp_path: Path) -> None:
    with pytest.raises(FrameError, match="holds no frames; expected files named"):
        open_frames(tmp_path, PANEL, "tiff")
    with pytest.raises(FrameError, match=r"can't be opened .*Correct the folder in the config"):
        open_frames(tmp_path / "none", PANEL, "tiff")
    tifffile.imwrite(tmp_path / "a.tif", random_images(1)[0])
    (tmp_path / "b.tif").write_bytes(b"II*\0\0\0\0\0")
    with pytest.raises(FrameError, match=r"b.tif, page 0: isn't there: the file holds 0 pages"):
        open_frames(tmp_path, PANEL, "tiff")
    (tmp_path / "b.tif").unlink()
    (tmp_path / "b.tif").mkdir()  # exposures have no table that could name it wrongly
    with pytest.raises(FrameError, match=r"b.tif: is a folder; .*or move it out of the folder"):
        open_frames(tmp_path, PANEL, "tiff")


def test_an_exposure_folder_without_rights_is_told_as_such(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Rights alone won't do: the superuser may look anywhere."""

    def refusing(path: Path) -> Any:
        raise PermissionError(errno.EACCES, os.strerror(errno.EACCES), str(path))

    monkeypatch.setattr(Path, "iterdir", refusing)
    with pytest.raises(
        FrameError, match=r"can't be opened \(Permission denied\).*Check the rights"
    ):
        open_frames(tmp_path, PANEL, "tiff")
