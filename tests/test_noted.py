"""Indications of a simulated weld, from the reviewer's table into log, page and terminal."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from pipeline.cli import run
from pipeline.config.weld import load_weld_config
from pipeline.errors import TableError
from pipeline.noted import measure_noted
from pipeline.outputs.report.page import begin_page
from pipeline.quality.log import QualityLog
from pipeline.quality.noted.indication import MeasuredIndication
from pipeline.run import run_weld

_AROUND_MM = 0.6  # what a reviewer leaves round a thing
_WANDER_MM = 0.8  # and more for a line that wanders
_KINDS = ("pore", "slag_line", "crack_like")


def marks(scan: Path) -> list[dict]:
    """The indications of the scan's truth that stand alone, pores from 0.8 mm on."""
    told = json.loads((scan / "truth" / "truth.json").read_text(encoding="utf-8"))
    things = [one for one in told["indications"] if one["kind"] in _KINDS]
    return [
        one | {"turn": told["geometry"]["circumference_mm"]}
        for one in things
        if (one["kind"] != "pore" or one["width_mm"] >= 0.8)
        and not any(_near(one, other) for other in things if other is not one)
    ]


def _near(one: dict, other: dict) -> bool:
    along = (one["length_mm"] + other["length_mm"]) / 2 + 2
    return abs(one["s_mm"] - other["s_mm"]) < along and abs(one["z_mm"] - other["z_mm"]) < 3


def write_table(path: Path, things: list[dict]) -> Path:
    lines = ["id,kind,s_first_mm,s_last_mm,z_first_mm,z_last_mm,note"]
    for number, one in enumerate(things, start=1):
        half = one["length_mm"] / 2 + _AROUND_MM
        aside = one["width_mm"] / 2 + _AROUND_MM + (_WANDER_MM if one["kind"] != "pore" else 0)
        s = [(one["s_mm"] + side * half) % one["turn"] for side in (-1, 1)]
        z = [one["z_mm"] + side * aside for side in (-1, 1)]
        lines.append(f"{number},{one['kind']},{s[0]:.2f},{s[1]:.2f},{z[0]:.2f},{z[1]:.2f},")
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


@pytest.fixture(scope="module")
def noted(small_scan: Path, tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, list[dict]]:
    """A result folder of a weld with its truth's indications noted."""
    folder = tmp_path_factory.mktemp("noted")
    things = marks(small_scan)
    table = write_table(folder / "seen.csv", things)
    told = {"output.folder": folder / "result", "indications.file": table}
    run_weld(load_weld_config(small_scan / "stitch.toml", told), report=begin_page)
    return folder / "result", things


def listed(folder: Path) -> tuple[MeasuredIndication, ...]:
    text = (folder / "quality.json").read_text(encoding="utf-8")
    found = QualityLog.from_json(text).indications
    assert found is not None
    return found.indications


def test_what_stands_out_lies_where_the_truth_says(noted: tuple[Path, list[dict]]) -> None:
    """A line wanders by some 0.3 mm about its middle; half-depth edges of a ball lie at 0.87 of its
    diameter, and noise and texture move an edge by a pixel or two."""
    folder, things = noted
    found = listed(folder)
    assert len(found) == len(things) >= 4
    seen = [(one.seen, true) for one, true in zip(found, things, strict=True) if one.seen]
    assert len(seen) >= len(things) - 1  # a crack may be too faint
    assert all(one.polarity == "more_radiation" for one in found if one.seen)
    for extent, true in seen:
        if true["kind"] == "pore":
            middle = (extent.s_first_mm + extent.s_last_mm) / 2
            off = (middle - true["s_mm"] + true["turn"] / 2) % true["turn"] - true["turn"] / 2
            assert abs(off) < 0.2
            assert extent.length_mm.value == pytest.approx(0.87 * true["length_mm"], abs=0.3)


def test_log_and_page_hold_them(noted: tuple[Path, list[dict]]) -> None:
    folder, things = noted
    log = QualityLog.from_json((folder / "quality.json").read_text(encoding="utf-8"))
    assert log.to_json() == (folder / "quality.json").read_text(encoding="utf-8")
    assert log.indications.lengths[0].count == len(things)
    assert log.indications.suggestions is None
    assert any(one.path.endswith("seen.csv") for one in log.inputs)
    page = (folder / "quality.html").read_text(encoding="utf-8")
    assert '<section id="indications">' in page
    assert "slag_line" in page or "crack_like" in page
    assert "film-like negative" in page


def test_the_command_measures_them_afterwards(
    noted: tuple[Path, list[dict]], capsys: pytest.CaptureFixture[str]
) -> None:
    folder, things = noted
    table = str(folder.parent / "seen.csv")
    run(["measure", str(folder), "--indications", table, "--suggest", "--json"])
    (told,) = json.loads(capsys.readouterr().out)["strips"]
    assert len(told["indications"]["indications"]) == len(things)
    assert told["indications"]["suggestions"]
    run(["measure", str(folder), "--indications", table])
    text = capsys.readouterr().out
    assert "indication  1:" in text
    assert "suggestion" not in text
    again = measure_noted(folder, folder.parent / "seen.csv", suggest=False)
    assert again.indications == listed(folder)


def test_a_faulty_table_stops_a_run_before_it_begins(small_scan: Path, tmp_path: Path) -> None:
    table = tmp_path / "seen.csv"
    table.write_text("id,kind,line_mm\n1,pore,1 2\n", encoding="utf-8")
    told = {"output.folder": tmp_path / "result", "indications.file": table}
    with pytest.raises(TableError, match="line 2: line_mm has only one point"):
        run_weld(load_weld_config(small_scan / "stitch.toml", told))
    assert not (tmp_path / "result").exists()


@pytest.mark.parametrize("arguments", [["a", "b", "--suggest"], ["a", "b", "--indications", "c"]])
def test_indications_are_those_of_one_strip(arguments: list[str]) -> None:
    assert run(["measure", *arguments]) == 2
