"""A job sheet before the shift: every fault at once, in words that a technician can act on."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path

import pytest

from pipeline.cli import run
from pipeline.errors import ConfigError, TableError
from pipeline.io.job_sheet_check import check_sheet

GOOD = """id,shot,procedure,diameter_mm,wall_mm,operator,datum_encoder_mm,direction,notes
W-001,,P-1,609.6,12.7,A. Moor,,clockwise,windy
W-001,R1,P-1,609.6,12.7,A. Moor,-30,counterclockwise,
W-001,R1RS2,P-1,609.6,12.7,A. Moor,,,
"""
CONFIG = """
weld = {id = "any", diameter_mm = 609.6, wall_mm = 10}
panel = {rows = 320, columns = 384, pitch_mm = 0.1, serial = "P-1"}
geometry = {standoff_mm = 10}
strip = {overrun_mm = 50}
[stages]
sequence = ["flat_field", "bad_pixels", "distortion", "registration", "blending"]
"""


def sheet(folder: Path, text: str, name: str = "sheet.csv") -> Path:
    path = folder / name
    path.write_text(text, encoding="utf-8")
    return path


def test_a_good_sheet(tmp_path: Path) -> None:
    path = sheet(tmp_path, GOOD)
    found = check_sheet(path)
    assert [row.name for row in found.rows] == [("W-001", ""), ("W-001", "R1"), ("W-001", "R1RS2")]
    assert found.remarks == ()
    assert found.sha256 == hashlib.sha256(GOOD.encode()).hexdigest()


def test_all_faults_at_once_by_line_and_column(tmp_path: Path) -> None:
    text = GOOD + (
        'W-002,,P-1,"609,6",12.7,A. Moor,,clockwise,\n'
        "W-003,R0,P-1,609.6,400,A. Moor,,clokwise,\n"
        ",,P-1,-5,12.7,A. Moor,,,\n"
        "W-001,R1,P-1,609.6,12.7,A. Moor,,,\n"
        "W-004,,P-1,609,6,12.7,A. Moor,,,\n"
        "W-005,,P-1,609.6,ten,A. Moor,first,,\n"
    ).replace("W-004,,P-1,609,6,12.7,A. Moor,,,", "W-004,,P-1,609,6,12.7,A. Moor,,,windy")
    with pytest.raises(TableError) as raised:
        check_sheet(sheet(tmp_path, text))
    lines = [line.strip() for line in str(raised.value).splitlines()]
    wanted = [
        ("10 faults", ""),
        ("line 5: column 'diameter_mm': \"609,6\"", "must be a number with a decimal point"),
        ("line 6: column 'shot': \"R0\" must be empty the first time, R1, R2, …", ""),
        ("line 6: column 'direction': \"clokwise\"", 'did you mean "clockwise"?'),
        ("line 6: column 'wall_mm': \"400\" must be less than half of diameter_mm, 304.8", ""),
        ("line 7: column 'id' is empty: which weld is it?", ""),
        ("line 7: column 'diameter_mm': \"-5\" must lie in (0, 5000]", ""),
        ("line 8: weld 'W-001', shot R1, stands in line 3 already; if it is shot again", "R2"),
        ("line 9: has 10 cells, the header has 9 (is there a decimal comma", ""),
        ("line 10: column 'wall_mm': \"ten\" must be a number", ""),
        ("line 10: column 'datum_encoder_mm': \"first\" must be a number", ""),
        ("Correct the sheet, and copy it to the field again", ""),
    ]
    assert len(lines) == len(wanted), lines
    for line, (begin, end) in zip(lines, wanted, strict=True):
        assert begin in line
        assert end in line


def test_misspelt_columns_are_told_with_the_rest(tmp_path: Path) -> None:
    text = GOOD.replace("operator", "operater").replace(",609.6,12.7,A. Moor,-30", ",x,12.7,A,-30")
    with pytest.raises(TableError) as raised:
        check_sheet(sheet(tmp_path, text))
    assert "line 1: column 'operater' means nothing here (is 'operator' meant?)" in str(
        raised.value
    )
    assert "line 3: column 'diameter_mm'" in str(raised.value)


def test_toml_has_lines_too(tmp_path: Path) -> None:
    text = '[[weld]]\nid = "a"\nwall_mm = -1\n\n[[weld]]\nid = "b"\ndirection = "left"\nwal = 2\n'
    with pytest.raises(TableError) as raised:
        check_sheet(sheet(tmp_path, text, "sheet.toml"))
    for told in (
        "line 3: column 'wall_mm': \"-1\" must be greater than 0",
        "line 7: column 'direction'",
        "line 8: column 'wal' means nothing here (is 'wall_mm' meant?)",
    ):
        assert told in str(raised.value)


def test_what_is_odd_but_allowed(tmp_path: Path) -> None:
    text = "id,diameter_mm\nW-1,600\nw-1,\nW 2,600\n"
    remarks = check_sheet(sheet(tmp_path, text)).remarks
    assert "no diameter_mm in line 3: what the config says counts" in remarks
    assert "line 3: 'w-1' differs from 'W-1' in capitals or blanks only" in remarks
    config = sheet(tmp_path, CONFIG, "weld.toml")
    assert not any("diameter" in one for one in check_sheet(tmp_path / "sheet.csv", config).remarks)


def test_rows_against_the_config(tmp_path: Path) -> None:
    config = sheet(tmp_path, CONFIG, "weld.toml")
    own = "no row is for 'any', the config's weld.id: stitch will refuse the sheet"
    assert check_sheet(sheet(tmp_path, GOOD), config).remarks == (own,)
    own_row = GOOD.replace("W-001,,P-1,609.6,12.7,A. Moor,,clockwise", "any,,,,12.7,,,")
    remarks = check_sheet(sheet(tmp_path, own_row), config).remarks
    assert "line 2: weld.wall_mm = 12.7 replaces the config's 10.0" in remarks
    text = GOOD + "W-9,,P-1,,400,A. Moor,,,\nW-10,,P-1,15,2,A. Moor,,,\n"
    with pytest.raises(TableError) as raised:
        check_sheet(sheet(tmp_path, text), config)
    told = str(raised.value)
    assert "line 5: with this row: this row: weld.wall_mm" in told
    assert "must be less than half of weld.diameter_mm, 304.8" in told
    assert "line 6: with this row: " in told
    assert "strip.overrun_mm = 50: must be less than the pipe's circumference, 47.1 mm" in told


def test_a_faulty_config_is_not_the_sheets_fault(tmp_path: Path) -> None:
    config = sheet(tmp_path, CONFIG.replace("standoff_mm = 10", "standoff_mm = -1"), "weld.toml")
    with pytest.raises(ConfigError, match=r"weld\.toml:4: geometry\.standoff_mm"):
        check_sheet(sheet(tmp_path, GOOD), config)


def test_an_empty_sheet(tmp_path: Path) -> None:
    with pytest.raises(TableError, match="lists no welds; expected a row for each weld"):
        check_sheet(sheet(tmp_path, "id,shot\n"))


def test_the_command(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = sheet(tmp_path, GOOD)
    assert run(["check-sheet", str(path)]) == 0
    out = capsys.readouterr().out
    assert "line 3      W-001 R1: procedure P-1, diameter_mm 609.6" in out
    assert run(["check-sheet", str(path), "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["welds"][1]["at_line"] == 3
    assert told["welds"][1]["shot"] == "R1"
    sheet(tmp_path, GOOD.replace("clockwise", "left"))
    assert run(["check-sheet", str(path)]) == 2
    assert "line 2: column 'direction'" in capsys.readouterr().err


def _told(folder: Path, text: str, name: str) -> list[str]:
    with pytest.raises(TableError) as raised:
        check_sheet(sheet(folder, text, name))
    return [line.strip() for line in str(raised.value).splitlines()]


def test_a_header_without_welds_hides_no_other_fault(tmp_path: Path) -> None:
    told = _told(tmp_path, GOOD.replace("id,", "number,").replace("609.6", "-1"), "a.csv")
    assert told[1].startswith("line 1: column 'number' means nothing here")
    assert told[2] == "line 1: column 'id' is missing"
    assert [line.partition("must")[0] for line in told[3:6]] == [
        f"line {number}: column 'diameter_mm': \"-1\" " for number in (2, 3, 4)
    ]
    assert len(told) == 7  # and nothing of empty ids, line for line


def test_strange_tables_hide_no_other_fault(tmp_path: Path) -> None:
    text = """title = "night shift"
[[weld]]
id = "W-001"
diameter_mm = -4
[[weld]]
id = "W-001"
wall_mm = [6]
[weld.more]
operater = "A. Moor"
"""
    told = _told(tmp_path, text, "a.toml")
    begins = [
        f"{tmp_path / 'a.toml'}: 5 faults",
        "line 1: 'title' doesn't belong here: a sheet holds tables [[weld]]",
        "line 4: column 'diameter_mm': \"-4\" must lie in (0, 5000]",
        "line 5: weld 'W-001' stands in line 2 already",
        "line 7: column 'wall_mm' must be a text or a number",
        "line 8: column 'more' means nothing here",
        "Correct the sheet, and copy it to the field again",
    ]
    assert len(told) == len(begins), told
    assert all(line.startswith(begin) for line, begin in zip(told, begins, strict=True)), told


def test_toml_that_isnt_is_told_as_in_a_config(tmp_path: Path) -> None:
    with pytest.raises(ConfigError, match=r"a\.toml:2: not valid TOML: .* expected text in quotes"):
        check_sheet(sheet(tmp_path, "[[weld]]\nid = W-001\n", "a.toml"))
    (tmp_path / "b.toml").write_bytes('[[weld]]\nid = "Jos\xe9"\n'.encode("latin-1"))
    with pytest.raises(TableError, match=r"line 2: byte 0xE9 is not UTF-8 .* Save it again"):
        check_sheet(tmp_path / "b.toml")
