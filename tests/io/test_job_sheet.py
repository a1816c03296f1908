"""The job sheet: one weld's row from CSV or TOML; what would be lost in silence is refused."""

from __future__ import annotations

from pathlib import Path

import pytest

from pipeline.config.weld import load_weld_config
from pipeline.errors import TableError
from pipeline.io.job_sheet import CONFIG_KEYS, read_job_sheet, read_sheet, replaced_values

CSV = """id,line,station,diameter_mm,wall_mm,operator,direction,notes
W-001,North line,KP 12,609.6,12.7,A. Moor,clockwise,windy
W-002,North line,KP 12,609.6,,,,
"""
TOML = """[[weld]]
id = "W-001"
line = "North line"
station = "KP 12"
diameter_mm = 609.6
wall_mm = 12.7
operator = "A. Moor"
direction = "clockwise"
notes = "windy"

[[weld]]
id = "W-002"
"""
FIRST = {
    "id": "W-001",
    "line": "North line",
    "station": "KP 12",
    "diameter_mm": "609.6",
    "wall_mm": "12.7",
    "operator": "A. Moor",
    "direction": "clockwise",
}


def _sheet(folder: Path, text: str, name: str = "sheet.csv") -> Path:
    path = folder / name
    path.write_text(text, encoding="utf-8")
    return path


@pytest.mark.parametrize(("text", "name"), [(CSV, "sheet.csv"), (TOML, "sheet.toml")])
def test_one_weld_from_either_form(tmp_path: Path, text: str, name: str) -> None:
    sheet = read_job_sheet(_sheet(tmp_path, text, name), "W-001")
    assert sheet == FIRST
    assert set(sheet) <= set(CONFIG_KEYS)


def test_empty_cells_say_nothing(tmp_path: Path) -> None:
    assert read_job_sheet(_sheet(tmp_path, CSV), "W-002") == {
        "id": "W-002",
        "line": "North line",
        "station": "KP 12",
        "diameter_mm": "609.6",
    }


@pytest.mark.parametrize(
    ("text", "name", "message"),
    [
        (CSV, "sheet.csv", r"'W-003' \(is 'W-00\d' meant\?\); expected a row with .* its 2\."),
        (CSV.replace("W-002", "W-003") + "W-003\n", "sheet.csv", r"2 times \(line 3, line 4\)"),
        (CSV.replace("diameter_mm", "diameter"), "sheet.csv", r"'diameter' means nothing here \("),
        (CSV.replace("id,", "weld,"), "sheet.csv", "column 'id' is missing"),
        (CSV.replace(",", ";"), "sheet.csv", "separated by semicolons"),
        (CSV + "W-003,a,b,c,d,e,f,g,h\n", "sheet.csv", "line 4: has 9 cells"),
        (TOML.replace("wall_mm", "wall"), "sheet.toml", r"'wall' means nothing here \(is 'w"),
        (
            TOML.replace("609.6", "[609.6]"),
            "sheet.toml",
            "'diameter_mm' must be a text or a number",
        ),
        (TOML.replace("609.6", "true"), "sheet.toml", "'diameter_mm' must be a text or a number"),
        (TOML + "[other]\n", "sheet.toml", r"'other' doesn't belong here: a sheet holds "),
        (
            TOML.replace("W-002", "W-003") + '[[weld]]\nid = "W-003"',
            "sheet.toml",
            "line 11, line 13",
        ),
    ],
)
def test_sheets_that_do_not_hold(tmp_path: Path, text: str, name: str, message: str) -> None:
    with pytest.raises(TableError, match=message):
        read_job_sheet(_sheet(tmp_path, text, name), "W-003")


@pytest.mark.parametrize("name", ["none.csv", "none.toml"])
def test_missing_sheet(tmp_path: Path, name: str) -> None:
    with pytest.raises(TableError, match=r"doesn't exist; .*\. Correct the job sheet's name"):
        read_job_sheet(tmp_path / name, "W-001")


def test_a_sheet_of_one_weld_doesnt_count_them(tmp_path: Path) -> None:
    with pytest.raises(TableError, match=r"expected a row with this id\. Add"):
        read_job_sheet(_sheet(tmp_path, "id\nW-1\n"), "X")


CONFIG = """
weld = {id = "W-001", diameter_mm = 609.6, wall_mm = 10, operator = "A. Moor", line = "Old line"}
panel = {rows = 320, columns = 384, pitch_mm = 0.1, serial = "P-1"}
geometry = {standoff_mm = 10}
[stages]
sequence = ["flat_field", "bad_pixels", "distortion", "registration", "blending"]
"""


def test_what_the_sheet_replaced_is_told(tmp_path: Path) -> None:
    config = _sheet(tmp_path, CONFIG, "weld.toml")
    row = read_job_sheet(_sheet(tmp_path, CSV), "W-001")
    told = {CONFIG_KEYS[column]: text for column, text in row.items()}
    before, after = load_weld_config(config), load_weld_config(config, told)
    assert replaced_values(row, before, after) == (  # the diameter and the operator are the same
        'weld.line = "North line" replaces the config\'s "Old line"',
        'weld.station = "KP 12" replaces the config\'s ""',
        "weld.wall_mm = 12.7 replaces the config's 10.0",
    )
    assert replaced_values(row, after, after) == ()


SHOTS = """id,shot,operator
W-001,,A. Moor
W-001,R1,B. Fell
W-001,RS1,C. Dale
W-002,R1,A. Moor
"""


@pytest.mark.parametrize(("shot", "who"), [("", "A. Moor"), ("R1", "B. Fell"), ("RS1", "C. Dale")])
def test_a_weld_that_was_shot_again_has_a_row_a_shot(tmp_path: Path, shot: str, who: str) -> None:
    row = read_job_sheet(_sheet(tmp_path, SHOTS), "W-001", shot)
    assert row["operator"] == who
    assert row.get("shot", "") == shot


@pytest.mark.parametrize(
    ("weld", "shot", "message"),
    [
        ("W-001", "R2", r"has no weld 'W-001', shot R2; of this weld it has the first .*, R1, RS1"),
        ("W-002", "", r"of this weld it has R1; .* --shot"),
    ],
)
def test_shots_that_the_sheet_lacks(tmp_path: Path, weld: str, shot: str, message: str) -> None:
    with pytest.raises(TableError, match=message):
        read_job_sheet(_sheet(tmp_path, SHOTS), weld, shot)


def test_only_the_own_rows_values_stop_a_weld(tmp_path: Path) -> None:
    """A mistake in another weld's row must not keep this one from being made."""
    text = CSV.replace("W-002,North line,KP 12,609.6", "W-002,North line,KP 12,six")
    assert read_job_sheet(_sheet(tmp_path, text), "W-001") == FIRST
    with pytest.raises(TableError, match=r"line 3: column 'diameter_mm': \"six\" must be a number"):
        read_job_sheet(_sheet(tmp_path, text), "W-002")


def test_lines_of_a_toml_sheet(tmp_path: Path) -> None:
    assert [row.line for row in read_sheet(_sheet(tmp_path, TOML, "a.toml")).rows] == [1, 11]
