"""Headerless frames: found by the layout, and only when the file's length agrees exactly."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from pipeline.config.panel import BinaryLayout
from pipeline.errors import FrameError
from pipeline.io.binary import inspect_binary

from .frame_files import SHAPE, Images, random_images


def _layout(header: int = 0, gap: int = 0, order: str = "little") -> BinaryLayout:
    return BinaryLayout.model_validate(
        {
            "rows": SHAPE[0],
            "columns": SHAPE[1],
            "header_bytes": header,
            "frame_gap_bytes": gap,
            "byte_order": order,
        }
    )


def _write(path: Path, images: Images, layout: BinaryLayout, *, last_gap: bool = False) -> None:
    order = "<u2" if layout.byte_order == "little" else ">u2"
    gap = b"\xee" * layout.frame_gap_bytes
    body = gap.join(image.astype(order).tobytes() for image in images)
    path.write_bytes(b"\xdd" * layout.header_bytes + body + (gap if last_gap else b""))


@pytest.mark.parametrize("order", ["little", "big"])
@pytest.mark.parametrize(("header", "gap"), [(0, 0), (512, 0), (0, 33), (101, 7)])
@pytest.mark.parametrize("last_gap", [False, True])
def test_frames_are_found_by_the_layout(
    tmp_path: Path, order: str, header: int, gap: int, last_gap: bool
) -> None:
    images = random_images(3)
    layout = _layout(header, gap, order)
    path = tmp_path / "frames.raw"
    _write(path, images, layout, last_gap=last_gap)
    pages = inspect_binary(path, path.name, None, SHAPE, layout)
    assert sorted(pages) == [0, 1, 2]
    out = np.empty(SHAPE, np.uint16)
    for number, page in pages.items():
        assert not isinstance(page, FrameError)
        page.read(out)
        np.testing.assert_array_equal(out, images[number])


@pytest.mark.parametrize("change", [-1, 1, -6144 * 2, 100])
def test_length_must_agree_exactly(tmp_path: Path, change: int) -> None:
    layout = _layout(header=64)
    path = tmp_path / "frames.raw"
    _write(path, random_images(2), layout)
    raw = path.read_bytes()
    path.write_bytes(raw[:change] if change < 0 else raw + bytes(change))
    fault = inspect_binary(path, path.name, [0], SHAPE, layout)[0]
    assert isinstance(fault, FrameError)
    assert str(fault) == (
        f"frames.raw: has {len(raw) + change} bytes, which is no whole number of frames; "
        "expected 64 bytes of header, then 6144 bytes a frame (48 rows × 64 columns of 16 bits). "
        "Copy the file again if it is cut short; otherwise correct [frames.binary] in the config"
    )


def test_page_past_the_end_and_missing_file(tmp_path: Path) -> None:
    path = tmp_path / "frames.raw"
    _write(path, random_images(1), _layout())
    assert "the file holds 1 page;" in str(inspect_binary(path, "x", [1], SHAPE, _layout())[1])
    gone = inspect_binary(tmp_path / "none.raw", "none.raw", [0, 4], SHAPE, _layout())
    assert all("none.raw: doesn't exist" in str(fault) for fault in gone.values())
    assert sorted(gone) == [0, 4]


def test_layout_of_another_size_than_the_panel(tmp_path: Path) -> None:
    path = tmp_path / "frames.raw"
    _write(path, random_images(1), _layout())
    assert "expected 40 rows × 64 columns" in str(
        inspect_binary(path, "x", [0], (40, 64), _layout())[0]
    )
