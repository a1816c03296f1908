"""Bad frames: left out and named, or the run is refused."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from pathlib import Path

import pytest

from tests.bad_input.endings import ODD, Capture, made, refused
from tests.bad_input.spoilt_frames import (
    a_folder,
    absurd_header,
    another_kind_of_file,
    colour,
    cut_in_its_header,
    damaged_inside,
    eight_bits,
    endless_pages,
    missing,
    truncated,
    turned,
    wrong_dtype,
    wrong_size,
    zero_bytes,
)
from tests.weld_folder import WeldFolder, stitch

BAD_FRAMES = {
    missing: "doesn't exist",
    truncated: "is cut short",
    cut_in_its_header: "is not a readable TIFF",
    zero_bytes: r"is empty (0 bytes)",
    another_kind_of_file: "is not a readable TIFF",
    wrong_dtype: "32 bits (float32)",
    eight_bits: "8 bits (uint8)",
    wrong_size: "has 320 rows × 383 columns; expected 320 rows × 384 columns",
    turned: "Rows and columns look exchanged",
    colour: "is a colour picture (3 values a pixel)",
    absurd_header: "4294967295 rows × 4294967295 columns",
    damaged_inside: "can't be decoded",
    a_folder: "is a folder",
}


@pytest.mark.usefixtures("no_report")
@pytest.mark.parametrize(("spoil", "said"), BAD_FRAMES.items())
def test_one_bad_frame_is_left_out_and_named(
    spoil: Callable[[Path], None], said: str, small_weld: WeldFolder, capsys: Capture
) -> None:
    name = small_weld.frame(ODD).name
    spoil(small_weld.frame(ODD))
    ended = made(small_weld, capsys, 0)  # its neighbours overlap: the ring is still covered
    reason = ended.left_out[name]
    assert reason.startswith("unreadable: ")
    assert said in reason
    assert f"left out  {name}: {reason}" in ended.out
    assert len(ended.left_out) == 3  # the ramp-up frames beside it
    assert ended.verdicts["acquisition.unreadable"] == "attention"
    assert ended.verdicts["coverage.gap_mm"] == "pass"

    small_weld.edit_config('table = "frames.csv"', 'on_unreadable = "stop"')
    shutil.rmtree(small_weld.result)
    message = refused(small_weld, capsys)
    assert name in message
    assert said.split(";", maxsplit=1)[0] in message


@pytest.mark.usefixtures("no_report")
def test_a_header_that_runs_in_a_circle_does_no_harm(
    small_weld: WeldFolder, capsys: Capture
) -> None:
    endless_pages(small_weld.frame(ODD))
    ended = stitch(small_weld, capsys)
    assert ended.code == 0, ended


@pytest.mark.parametrize("spoil", BAD_FRAMES)
def test_mostly_bad_frames_stop_the_run(
    spoil: Callable[[Path], None], small_weld: WeldFolder, capsys: Capture
) -> None:
    for number in range(3, 33):
        spoil(small_weld.frame(number))
    message = refused(small_weld, capsys)
    assert "32 frames can" in message  # … be used, or can't be used
    assert "frame_0003.tif" in message
    assert len(message) < 6000


def test_a_format_that_isnt_that_of_the_files_is_told(
    small_weld: WeldFolder, capsys: Capture
) -> None:
    small_weld.edit_config('table = "frames.csv"', 'format = "dicom"')
    message = refused(small_weld, capsys)
    assert "is not readable as DICOM" in message
    assert "set the frames' format in the config" in message


def test_a_binary_layout_that_doesnt_fit_the_file_is_told(
    small_weld: WeldFolder, capsys: Capture
) -> None:
    layout = 'format = "binary"\n[frames.binary]\nrows = 320\ncolumns = 384'
    small_weld.edit_config('table = "frames.csv"', layout)
    message = refused(small_weld, capsys)
    assert "which is no whole number of frames" in message
    assert "[frames.binary]" in message


@pytest.mark.usefixtures("no_report")
def test_a_page_that_the_file_doesnt_have(small_weld: WeldFolder, capsys: Capture) -> None:
    small_weld.set_cell(ODD, "page", "3")
    ended = made(small_weld, capsys, 0)
    assert "isn't there: the file holds 1 page" in ended.left_out[small_weld.frame(ODD).name]
