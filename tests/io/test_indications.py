"""The reviewer's table: what it may hold, and what is said when it doesn't."""

from __future__ import annotations

from pathlib import Path

import pytest

from pipeline.errors import TableError
from pipeline.io.indications import read_indications
from pipeline.quality.noted.indication import Indication

HEADER = "id,kind,s_first_mm,s_last_mm,z_first_mm,z_last_mm,line_mm,note"


def table(tmp_path: Path, *lines: str, header: str = HEADER) -> Path:
    path = tmp_path / "indications.csv"
    path.write_text("\n".join((header, *lines)) + "\n", encoding="utf-8")
    return path


def test_boxes_and_lines_are_read_in_their_order(tmp_path: Path) -> None:
    path = table(
        tmp_path,
        "1,porosity,10.5,12,-1,1.5,,two pores",
        '2,"crack, or crater",,,,,"100 -1; 104.5 -0.5;107 +1e-1",',
        "3,slag,1910,4,0,1,,",
    )
    assert read_indications(path) == (
        Indication("1", "porosity", "two pores", (10.5, 12.0, -1.0, 1.5)),
        Indication("2", "crack, or crater", "", None, ((100.0, -1.0), (104.5, -0.5), (107.0, 0.1))),
        Indication("3", "slag", "", (1910.0, 4.0, 0.0, 1.0)),
    )


def test_columns_that_nobody_needs_may_be_absent(tmp_path: Path) -> None:
    boxes = table(tmp_path, "1,pore,1,2,3,4", header="id,kind,s_first_mm,s_last_mm,z_first_mm,"
                  "z_last_mm")  # fmt: skip
    assert read_indications(boxes)[0].box_mm == (1.0, 2.0, 3.0, 4.0)
    lines = table(tmp_path, "1,crack,1 2; 3 4", header="id,kind,line_mm")
    assert read_indications(lines)[0].line_mm == ((1.0, 2.0), (3.0, 4.0))


def test_a_table_without_rows_is_a_weld_without_indications(tmp_path: Path) -> None:
    assert read_indications(table(tmp_path)) == ()


@pytest.mark.parametrize(
    ("row", "message"),
    [
        (",pore,1,2,3,4,,", "line 2: id is empty"),
        ("1,,1,2,3,4,,", "line 2: kind is empty"),
        ("1,pore,,,,,,", "nothing tells where it lies"),
        ("1,pore,1,2,3,,,", "z_last_mm is empty"),
        ("1,pore,1,2,3,4,1 2; 3 4,", "line_mm and s_first_mm are both told"),
        ("1,pore,1,x,3,4,,", "line 2: s_last_mm = 'x' is not a number"),
        ('1,pore,1,"2,5",3,4,,', "s_last_mm = '2,5' has a decimal comma"),
        ("1,pore,1,nan,3,4,,", "s_last_mm = nan is not a finite number"),
        ("1,pore,2,2,3,4,,", "s_last_mm = 2 is the same as s_first_mm"),
        ("1,pore,1,2,4,3,,", "z_last_mm = 3 must be more than z_first_mm"),
        ("1,crack,,,,,1 2,", "line_mm has only one point"),
        ("1,crack,,,,,1 2; 1 2,", "line_mm has the same point throughout"),
        ("1,crack,,,,,1 2; 3,", "line_mm, point 2 = '3' is not two numbers"),
        ("1,crack,,,,,1 2; 3 y,", "line_mm, point 2 = 'y' is not a number"),
        ("1,pore,1,2,3,4,,a note, cut,", "has 9 cells, the header has 8"),
    ],
)
def test_a_fault_is_told_with_line_and_column(tmp_path: Path, row: str, message: str) -> None:
    with pytest.raises(TableError) as fault:
        read_indications(table(tmp_path, row))
    assert message in str(fault.value)
    assert "indications.csv" in str(fault.value)


def test_all_faults_are_told_at_once(tmp_path: Path) -> None:
    path = table(tmp_path, "1,pore,1,x,3,4,,", "1,pore,1,2,3,4,,", "2,,1,2,4,3,,")
    with pytest.raises(TableError) as fault:
        read_indications(path)
    text = str(fault.value)
    for part in ("line 2: s_last_mm", "line 3: id '1' is in line 2", "line 4: kind", "line 4: z_"):
        assert part in text


@pytest.mark.parametrize(
    ("header", "message"),
    [
        ("id,kind,line_mm,notes", "'notes' means nothing here (is 'note' meant?)"),
        ("id,kind,note", "no columns tell where an indication lies"),
        ("id,s_first_mm", "column 'kind' is missing"),
        (HEADER.replace(",", ";"), "separated by semicolons"),
    ],
)
def test_a_header_must_name_what_is_known(tmp_path: Path, header: str, message: str) -> None:
    with pytest.raises(TableError) as fault:
        read_indications(table(tmp_path, header=header))
    assert message in str(fault.value)


def test_a_table_that_is_not_there_says_so(tmp_path: Path) -> None:
    with pytest.raises(TableError, match=r"doesn't exist.*Correct the name of the indications"):
        read_indications(tmp_path / "none.csv")


def test_places_off_a_ring_are_told_with_their_line(tmp_path: Path) -> None:
    path = tmp_path / "ring.csv"
    head = "id,kind,s_first_mm,s_last_mm,z_first_mm,z_last_mm,line_mm"
    rows = ["1,pore,290,4,0,1,", "2,pore,-3,4,0,1,", "3,pore,295,304,0,1,", "4,line,,,,,2 0; 301 1"]
    path.write_text("\n".join([head, *rows]) + "\n", encoding="utf-8")
    with pytest.raises(TableError) as caught:
        read_indications(path, 300.0)
    said = str(caught.value)
    assert "line 3: s_first_mm = -3 lies outside of the ring, 0 … 300.0 mm" in said
    assert "line 4: s_last_mm = 304 lies outside" in said
    assert "line 5: line_mm, point 2 = 301 lies outside" in said
    assert "line 2" not in said
    assert len(read_indications(path)) == 4
