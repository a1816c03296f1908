"""``positions.csv``: fixed decimals, no NaN, and back again."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import pytest

from pipeline.errors import TableError
from pipeline.io.positions import PositionRow, read_positions, write_positions

USED = PositionRow("a,b.tif", 0, True, "", 12.0, 12.34567, 0.012345, -0.00001, 1.0000005)
LEFT_OUT = PositionRow("ü.tif", 3, False, 'ramp-up: "too dark"', 1e4, None, None, None, None)


def test_text_is_the_same_whatever_the_last_bits(tmp_path: Path) -> None:
    path = tmp_path / "positions.csv"
    write_positions(path, [USED, LEFT_OUT])
    assert path.read_bytes().decode() == (
        "file,page,used,why_not,encoder_mm,position_mm,sigma_mm,axial_mm,level\n"
        '"a,b.tif",0,yes,,12.0000,12.3457,0.01235,0.0000,1.000000\n'
        'ü.tif,3,no,"ramp-up: ""too dark""",10000.0000,,,,\n'
    ).replace("0.01235", f"{0.012345:.5f}").replace("1.000000\n", f"{1.0000005:.6f}\n")


def test_rows_come_back_as_rounded(tmp_path: Path) -> None:
    path = tmp_path / "positions.csv"
    write_positions(path, [USED, LEFT_OUT])
    used, left_out = read_positions(path)
    assert left_out == LEFT_OUT
    assert dataclasses.astuple(used)[:5] == dataclasses.astuple(USED)[:5]
    assert used.position_mm == pytest.approx(12.34567, abs=0.5e-4)  # four decimals
    assert used.sigma_mm == pytest.approx(0.012345, abs=0.5e-5)
    assert used.level == pytest.approx(1.0000005, abs=0.51e-6)
    assert str(used.axial_mm) == "0.0"


@pytest.mark.parametrize("value", [float("nan"), float("inf"), float("-inf")])
def test_only_finite_numbers_are_written(tmp_path: Path, value: float) -> None:
    with pytest.raises(ValueError, match="can't stand in a table of positions"):
        write_positions(tmp_path / "positions.csv", [dataclasses.replace(USED, position_mm=value)])


@pytest.mark.parametrize("cell", ["maybe", "Yes"])
def test_other_tables_are_refused(tmp_path: Path, cell: str) -> None:
    path = tmp_path / "positions.csv"
    write_positions(path, [USED])
    path.write_text(path.read_text().replace("yes", cell))
    with pytest.raises(TableError, match="line 2: can't be understood"):
        read_positions(path)
    path.write_text("file,position_mm\n")
    with pytest.raises(TableError, match="column 'page' is missing"):
        read_positions(path)
