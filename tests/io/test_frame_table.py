"""The frame table: every fault with its line, all at once; what is allowed is let through."""

from __future__ import annotations

import unicodedata
from pathlib import Path
from typing import Literal

import pytest

from pipeline.errors import TableError
from pipeline.io.frame_table import read_frame_table, table_remarks
from pipeline.model import FrameRow

from .frame_files import write_table

Form = Literal["NFC", "NFD"]


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A weld folder with three frame files, empty: the table never looks inside."""
    for name in ("a.tif", "b.tif", "c.tif"):
        (tmp_path / name).touch()
    return tmp_path


def _faults(folder: Path, text: str | bytes) -> str:
    table = folder / "frames.csv"
    table.write_bytes(text.encode() if isinstance(text, str) else text)
    with pytest.raises(TableError, match=r"frames\.csv: ") as caught:
        read_frame_table(table, folder)
    return str(caught.value)


def test_all_columns_are_kept(folder: Path) -> None:
    header = (
        "file,page,position_mm,time,kv,ma,exposure_s,latitude,longitude,temperature_c,wind,notes"
    )
    table = write_table(
        folder,
        'a.tif,2,-12.5,2026-03-01T06:00:00Z,160,3.5,1.5e-1,59.5,-3,-12,NW,"cold, dry"',
        "b.tif,,.5,,,,,,,,,",
        header=header,
    )
    assert read_frame_table(table, folder) == (
        FrameRow(
            index=0,
            file="a.tif",
            page=2,
            position_mm=-12.5,
            time="2026-03-01T06:00:00Z",
            kv=160.0,
            ma=3.5,
            exposure_s=0.15,
            latitude=59.5,
            longitude=-3.0,
            temperature_c=-12.0,
            extra={"wind": "NW", "notes": "cold, dry"},
        ),
        FrameRow(index=1, file="b.tif", page=0, position_mm=0.5, extra={"wind": "", "notes": ""}),
    )


def test_what_spreadsheets_do_to_a_table_is_no_fault(folder: Path) -> None:
    table = folder / "frames.csv"
    table.write_bytes(
        b'\xef\xbb\xbf file , position_mm,,\r\n\r\na.tif, 1.0 ,,\r\n,,,\r\n"b.tif",2,,\r\n\r\n'
    )
    rows = read_frame_table(table, folder)
    assert [(row.file, row.position_mm, row.index) for row in rows] == [
        ("a.tif", 1.0, 0),
        ("b.tif", 2.0, 1),
    ]


def test_every_fault_is_told_with_its_line(folder: Path) -> None:
    message = _faults(
        folder,
        "file,page,position_mm,kv\n"
        "a.tif,0,1,160\n"
        "\n"
        "a.tif,0,2,160\n"
        "b.tif,0,nan,160\n"
        "b.tif,1,-Infinity,1e999\n"
        "b.tif,2,12 mm,160\n"
        'b.tif,3,"12,5",160\n'
        "b.tif,4,,-1\n"
        "b.tif,one,1_000,160\n"
        ",6,1,160\n"
        "none.tif,0,1,160\n"
        "b.tif,7,12,5,160\n"
        "c.tif,-1,3,160\n",
    )
    assert [line.strip() for line in message.splitlines()[1:]] == [
        "line 4: file 'a.tif' page 0 is in line 2 already",
        "line 5: position_mm = nan is not a finite number",
        "line 6: position_mm = -Infinity is not a finite number",
        "line 6: kv = 1e999 is not a finite number",
        "line 7: position_mm = '12 mm' is not a number",
        "line 8: position_mm = '12,5' has a decimal comma; write a point",
        "line 9: kv = -1 must lie in 0 … 20000",
        "line 9: position_mm is empty",
        "line 10: position_mm = '1_000' is not a number",
        "line 10: page 'one' is not a page number (0 is the first)",
        "line 11: file is empty",
        f"line 12: file 'none.tif' doesn't exist in {folder}",
        "line 13: has 5 cells, the header has 4 (is there a decimal comma, or a comma in a text "
        "without quotes?)",
        "line 14: page '-1' is not a page number (0 is the first)",
        "Correct these lines; kv may be left empty where it isn't known",
    ]
    assert message.startswith(f"{folder / 'frames.csv'}: 14 faults\n")


def test_a_long_list_of_faults_is_cut(folder: Path) -> None:
    message = _faults(folder, "file,position_mm\n" + "a.tif,x\n" * 50)
    assert message.count("\n") == 22
    assert message.endswith("\n  and 30 more\nCorrect these lines")


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("", "is empty"),
        ("\n\n \n", "is empty"),
        ("file,position_mm\n", "line 1: no frames follow the header"),
        ("file,page\na.tif,0\n", "line 1: column 'position_mm' is missing"),
        ("file,Position mm\na.tif,0\n", "'position_mm' is missing (is 'Position mm' meant for"),
        ("name\na.tif\n", "2 faults\n  line 1: column 'file' is missing"),
        ("file;page;position_mm\na.tif;0;1,5\n", "separated by semicolons; separate them by comm"),
        ("file\tposition_mm\na.tif\t1\n", "separated by tabs"),
        ("file,position_mm,kv,kv\na.tif,0,1,1\n", "column 'kv' stands there 2 times"),
        ("file,,position_mm\na.tif,,0\n", "a column has no name"),
        ('file,position_mm\n"a.tif,0\n', "line 2: is not proper CSV"),
        (b"file,position_mm\na.tif,1\nb\xfc.tif,2\n", "line 3: byte 0xFC is not UTF-8 text"),
        ("file,position_mm\na.tif,1\n".encode("utf-16"), "or is UTF-16"),
        (b"II*\0\0\0\0\0", "is not plain text"),
        ("file,position_mm\na.tif,1" + "\n" * 64 * 2**20, "far too large"),
        ("file,position_mm,latitude\na.tif,1,91\n", "latitude = 91 must lie in -90 … 90"),
        ("file,position_mm\nA.tiff,1\n", "is 'a.tif' meant?"),
        ("file,position_mm\nsub\\x.tif,1\n", "write 'sub/x.tif'"),
        ("file,position_mm\n.\\a.tif,1\n", "(write 'a.tif')"),
        ("file,position_mm\nsub/X.TIF,1\n", "(is 'sub/x.tif' meant?)"),
        ("file,position_mm\nb,1\n", "(is 'b.tif' meant?). Correct this line"),
        ("file,position_mm,ma\na.tif,1,-2\n", "ma = -2 must be 0 or more. Correct this line; ma"),
        ("file,position_mm\na.tif,\n", "position_mm is empty. Correct this line"),
        ("file,position_mm,time\na.tif,1,banana\n", "line 2: time 'banana' is not a time like 20"),
        ("file,position_mm,time\na.tif,1,02.03.2026 06:30\n", "time '02.03.2026 06:30' is not"),
        ("file,position_mm,time\na.tif,1,1772433000\n", "time '1772433000' is not a time"),
        ("file,position_mm,time\na.tif,1,2026-02-30T06:30\n", "is not a time"),
        ("file,position_mm,time\na.tif,1,x\n", "line; time may be left empty where it isn't kno"),
    ],
)
def test_each_fault_of_form(folder: Path, text: str | bytes, expected: str) -> None:
    (folder / "sub").mkdir()
    (folder / "sub/x.tif").touch()
    assert expected in _faults(folder, text)


def test_missing_table_and_folder_in_its_place(folder: Path) -> None:
    with pytest.raises(TableError, match=r"none\.csv: doesn't exist; expected a CSV file"):
        read_frame_table(folder / "none.csv", folder)
    with pytest.raises(TableError, match="can't be read"):
        read_frame_table(folder, folder)


@pytest.mark.parametrize(
    "name", ["../a.tif", "x/../../a.tif", "/etc/hostname", "link.tif", "out/a"]
)
def test_paths_may_not_leave_the_folder(tmp_path: Path, name: str) -> None:
    folder = tmp_path / "weld"
    folder.mkdir()
    (tmp_path / "a.tif").touch()
    (folder / "link.tif").symlink_to(tmp_path / "a.tif")
    (folder / "out").symlink_to(tmp_path)
    assert f"file '{name}' leads out of the frames' folder" in _faults(
        folder, f"file,position_mm\n{name},1\n"
    )


def test_links_within_the_folder_and_to_it_are_followed(tmp_path: Path) -> None:
    folder = tmp_path / "weld"
    folder.mkdir()
    (folder / "a.tif").touch()
    (folder / "same.tif").symlink_to("a.tif")
    (tmp_path / "today").symlink_to(folder)
    table = write_table(folder, "same.tif,0,1")
    assert len(read_frame_table(table, tmp_path / "today")) == 1
    assert "'./a.tif' page 0 is in line 2 already" in _faults(
        folder, "file,position_mm\nsame.tif,1\n./a.tif,2\n"
    )


def test_links_in_a_circle_and_impossible_names(folder: Path) -> None:
    (folder / "loop.tif").symlink_to("loop.tif")
    assert "line 2: file 'loop.tif'" in _faults(folder, "file,position_mm\nloop.tif,1\n")
    assert "can't be reached" in _faults(folder, f"file,position_mm\n{'x' * 300}.tif,1\n")


def test_files_may_be_missing_when_frames_may_be_left_out(folder: Path) -> None:
    table = write_table(folder, "none.tif,0,1")
    assert len(read_frame_table(table, folder, missing_files=True)) == 1


_TWICE = "several frames have the same position_mm: 1"
_TWO = "several frames have the same position_mm: 2"


@pytest.mark.parametrize(
    ("positions", "remarks"),
    [
        ([0, 1, 2], []),
        ([2, 1, 0], ["the table's positions fall from row to row"]),
        ([0, 2, 1], ["the table's positions are not sorted: they fall once"]),
        ([0, 1, 2, 1], ["the table's positions are not sorted: they fall once", _TWICE]),
        ([0, 2, 1, 3, 2], ["the table's positions are not sorted: they fall 2 times", _TWO]),
        ([0, 1, 1], ["several frames have the same position_mm: 1"]),
        ([5, 5, 5, 6, 7], []),  # standing still until the tube was up
        ([5, 5, 6, 5], ["the table's positions are not sorted: they fall once"]),
        ([0], []),
    ],
)
def test_odd_but_allowed_positions_are_remarked(
    folder: Path, positions: list[float], remarks: list[str]
) -> None:
    lines = (f"a.tif,{page},{position}" for page, position in enumerate(positions))
    assert list(table_remarks(read_frame_table(write_table(folder, *lines), folder))) == remarks


@pytest.mark.parametrize(
    "time",
    [
        "2026-03-02T06:30:00+00:00",
        "2026-03-02 06:30",
        "2026-03-02T06:30:00.1234567Z",
        "2026-03-02T06:30:00,5-03:30",
    ],
)
def test_times_of_iso_8601_are_accepted(folder: Path, time: str) -> None:
    table = write_table(folder, f'a.tif,1,"{time}"', "b.tif,2,", header="file,position_mm,time")
    rows = read_frame_table(table, folder)
    assert [row.time for row in rows] == [time, None]
    (remark,) = table_remarks(rows)
    assert remark.startswith("1 of 2 frames have no time, so the order in which they were shot")


def test_times_with_a_zone_and_without_cant_be_compared(folder: Path) -> None:
    header = "file,position_mm,time\n"
    with_zone, without = "2026-03-02T06:30:00Z", "2026-03-02T06:30:01"
    assert (
        "line 4: time has no zone, that of line 2 has one; they can't be compared. Correct"
    ) in _faults(folder, f"{header}a.tif,1,{with_zone}\nb.tif,2,\nc.tif,3,{without}\n")
    assert "line 3: time has a zone, that of line 2 has none;" in _faults(
        folder, f"{header}a.tif,1,{without}\nb.tif,2,{with_zone}\n"
    )


def test_an_absolute_name_inside_the_folder_is_told_the_shorter_one(folder: Path) -> None:
    said = f"file '{folder}/a.tif' must be named from its folder on: 'a.tif'"
    assert said in _faults(folder, f"file,position_mm\n{folder}/a.tif,1\n")


@pytest.mark.parametrize("in_table", ["NFC", "NFD"])
@pytest.mark.parametrize("on_disk", ["NFC", "NFD"])
@pytest.mark.parametrize("missing_files", [False, True])
def test_names_that_read_the_same_are_the_same(
    folder: Path, in_table: Form, on_disk: Form, missing_files: bool
) -> None:
    """Some systems store ü as one character, others as u with two dots."""
    name = "Prüfung/Naht_ö.tif"
    stored = unicodedata.normalize(on_disk, name)
    (folder / stored).parent.mkdir()
    (folder / stored).touch()
    table = write_table(folder, f"{unicodedata.normalize(in_table, name)},0,1")
    (row,) = read_frame_table(table, folder, missing_files=missing_files)
    assert row.file == stored


def test_a_misspelt_name_isnt_taken_for_another_rows(folder: Path) -> None:
    text = "file,position_mm\na.tif,1\nb.tif,2\nframe_08.tif,3\nframe_10.tif,4\n"
    (folder / "frame_08.tif").touch()
    assert _faults(folder, text).endswith(
        f"line 5: file 'frame_10.tif' doesn't exist in {folder}. Correct this line"
    )
    (folder / "frame_1O.tif").touch()
    assert f"in {folder} (is 'frame_1O.tif' meant?)" in _faults(folder, text)


def test_a_missing_folder_is_told_as_such(folder: Path) -> None:
    with pytest.raises(TableError) as caught:
        read_frame_table(folder / "nowhere/frames.csv", folder / "nowhere")
    assert str(caught.value) == (
        f"{folder}/nowhere: there is no such folder; expected a folder that holds frames.csv. "
        "Correct folder and table in [frames] of the config, or the folder given with --frames"
    )
    (folder / "frames_1.csv").touch()
    with pytest.raises(TableError, match=r"frames\.csv: doesn't exist \(is 'frames_1.csv' meant"):
        read_frame_table(folder / "frames.csv", folder)
