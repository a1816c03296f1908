"""Bad frame tables: refused with file and line, or told beside the strip."""

from __future__ import annotations

import shutil
from collections.abc import Callable

import numpy as np
import pytest

from tests.bad_input.endings import ODD, Capture, Spoil, made, refused
from tests.weld_folder import WeldFolder


def without_column(name: str) -> Spoil:
    def spoil(weld: WeldFolder) -> None:
        lines = weld.table()
        place = lines[0].index(name)
        weld.write_table([line[:place] + line[place + 1 :] for line in lines])

    return spoil


def cell(column: str, text: str) -> Spoil:
    return lambda weld: weld.set_cell(ODD, column, text)


def positions(change: Callable[[float], float]) -> Spoil:
    def spoil(weld: WeldFolder) -> None:
        header, *lines = weld.table()
        place = header.index("position_mm")
        for line in lines:
            line[place] = repr(change(float(line[place])))
        weld.write_table([header, *lines])

    return spoil


def text_of(content: bytes) -> Spoil:
    return lambda weld: weld.table_path.write_bytes(content) and None


def with_semicolons(weld: WeldFolder) -> None:
    text = weld.table_path.read_text(encoding="utf-8")
    weld.table_path.write_text(text.replace(",", ";"), encoding="utf-8")


def named_twice(weld: WeldFolder) -> None:
    weld.set_cell(ODD, "file", weld.frame(ODD - 1).name)


def outside_by_a_link(weld: WeldFolder) -> None:
    target = weld.path / "elsewhere.tif"
    weld.frame(ODD).rename(target)
    weld.frame(ODD).symlink_to(target)


BAD_TABLES: dict[str, tuple[Spoil, str]] = {
    "no file column": (without_column("file"), "column 'file' is missing"),
    "no position column": (without_column("position_mm"), "column 'position_mm' is missing"),
    "nan": (cell("position_mm", "NaN"), f"line {ODD + 1}: position_mm = NaN is not a finite"),
    "infinite": (cell("position_mm", "inf"), "position_mm = inf is not a finite number"),
    "empty": (cell("position_mm", ""), f"line {ODD + 1}: position_mm is empty"),
    "text": (cell("position_mm", "twelve"), "position_mm = 'twelve' is not a number"),
    "decimal comma": (cell("position_mm", "83,8"), "has a decimal comma; write a point"),
    "page": (cell("page", "-1"), "page '-1' is not a page number"),
    "kv": (cell("kv", "-160"), "kv = -160 must lie in"),
    "outside": (cell("file", "../stitch.toml"), "leads out of the frames' folder"),
    "absolute": (cell("file", "/etc/hostname"), "leads out of the frames' folder"),
    "link": (outside_by_a_link, "leads out of the frames' folder"),
    "twice": (named_twice, f"is in line {ODD} already"),
    "semicolons": (with_semicolons, "the cells are separated by semicolons"),
    "nothing": (text_of(b""), "is empty"),
    "header only": (text_of(b"file,page,position_mm\n"), "no frames follow the header"),
    "binary": (text_of(bytes(range(256))), "is not plain text"),
    "not UTF-8": (text_of(b"file,position_mm\n\xe4.tif,1\n"), "line 2: byte 0xE4 is not UTF-8"),
    "gone": (lambda weld: weld.table_path.unlink(), "frames.csv: doesn't exist"),
    "folder gone": (lambda weld: shutil.rmtree(weld.frames), "frames: there is no such folder"),
    "time": (cell("time", "banana"), f"line {ODD + 1}: time 'banana' is not a time like 2026"),
    "metres": (positions(lambda at: at / 1000), "mm round (are they in metres?). Give position"),
    "micrometres": (positions(lambda at: at * 1000), "(are they in micrometres?)"),
    "all alike": (positions(lambda at: 0 * at), "all positions are 0; expected in position_mm"),
    "far off": (cell("position_mm", "1e9"), f"(row {ODD}) at 1e+09 mm lies far from the other"),
}


@pytest.mark.parametrize("case", BAD_TABLES)
def test_a_bad_frame_table_is_refused(case: str, small_weld: WeldFolder, capsys: Capture) -> None:
    spoil, said = BAD_TABLES[case]
    spoil(small_weld)
    message = refused(small_weld, capsys)
    assert said in message
    assert "frames.csv" in message


def test_a_file_that_doesnt_exist_is_a_fault_of_the_table_when_told_to_stop(
    small_weld: WeldFolder, capsys: Capture
) -> None:
    small_weld.edit_config('table = "frames.csv"', 'on_unreadable = "stop"')
    small_weld.set_cell(ODD, "file", "frame_O010.tif")
    message = refused(small_weld, capsys)
    assert f"line {ODD + 1}: file 'frame_O010.tif' doesn't exist" in message
    assert "is 'frame_0010.tif' meant?" in message


@pytest.mark.usefixtures("no_report")
def test_the_order_of_the_table_doesnt_matter(small_weld: WeldFolder, capsys: Capture) -> None:
    first = made(small_weld, capsys, 0)
    expected = {name: (first.folder / name).read_bytes() for name in ("strip.tif", "maps.tif")}
    lines = small_weld.table()
    order = np.random.default_rng(4).permutation(len(lines) - 1)
    for rows in (lines[:0:-1], [lines[1 + k] for k in order]):
        small_weld.write_table([lines[0], *rows])
        ended = made(small_weld, capsys, 0, "--replace")
        assert {name: (ended.folder / name).read_bytes() for name in expected} == expected
        # The table has times, so that the frames before the tube was ready are known as such.
        assert ended.left_out == first.left_out


@pytest.mark.usefixtures("no_report")
def test_positions_in_another_unit_are_told_beside_the_strip(
    small_weld: WeldFolder, capsys: Capture
) -> None:
    positions(lambda at: at / 10)(small_weld)
    ended = made(small_weld, capsys, 3)
    assert "mm, the pipe is 359.1 mm round (are they in centimetres?)" in ended.out


def test_an_encoder_that_counts_the_other_way_is_refused(
    small_weld: WeldFolder, capsys: Capture
) -> None:
    positions(lambda at: -at)(small_weld)
    told = refused(small_weld, capsys)
    assert "the frames run against position_mm" in told
    assert "set flip_columns = true in the weld's and in the calibration's config" in told


@pytest.mark.usefixtures("no_report")
def test_a_frame_recorded_twice_at_its_place_does_no_harm(
    small_weld: WeldFolder, capsys: Capture
) -> None:
    shutil.copy(small_weld.frame(ODD), small_weld.frames / "again.tif")
    lines = small_weld.table()
    lines.insert(ODD + 1, ["again.tif", *lines[ODD][1:]])
    small_weld.write_table(lines)
    ended = made(small_weld, capsys, 0)
    assert ended.log.verdict == "pass"


@pytest.mark.usefixtures("no_report")
def test_a_position_repeated_with_other_content_is_told(
    small_weld: WeldFolder, capsys: Capture
) -> None:
    """The encoder stood still for one step of 12 mm, twice as far as is searched."""
    small_weld.set_cell(ODD, "position_mm", small_weld.table()[ODD - 1][2])
    ended = made(small_weld, capsys, 3)
    assert ended.left_out[small_weld.frame(ODD).name].startswith("wrong_place: ")
