"""``girthstrip measure --plan``: config and calibration to findings, words and exit code."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from pipeline.cli import run
from pipeline.io.profiles import FOLDER
from tests.config.test_weld import GOOD

QUALITY = """
[quality]
testing_class = "B"
focal_spot_mm = 2.0
kv = 200.0
gray_value = 20000.0
"""


def config(folder: Path, text: str) -> Path:
    path = folder / "weld.toml"
    path.write_text(text, encoding="utf-8")
    return path


def test_it_is_told_what_is_missing(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """No frames, no calibration: the noise isn't known, the ring has no gauges."""
    assert run(["measure", "--plan", str(config(tmp_path, GOOD + QUALITY))]) == 3
    said = capsys.readouterr().out
    assert "asked by   ISO 17636-2:2013, class B; check against your licensed copy" in said
    assert "there is no calibration" in said
    assert "can't be met like this: iqi.wire_positions" in said
    assert "never accepts or rejects a weld" in said


def test_only_what_is_wanted_is_asked(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    text = GOOD + QUALITY + 'wanted = ["sharpness", "geometry"]\ndetector_sr_b_mm = 0.1\n'
    assert run(["measure", "--plan", str(config(tmp_path, text)), "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert {one["id"]: one["reach"] for one in told["findings"]} == {
        "geometry.source_distance_mm": "can be met",
        "geometry.thickness_ratio": "can be met",
        "sharpness.sr_b_mm": "can be met",
    }
    assert told["schema"] == "girthstrip.measure_plan/2"
    assert told["software"]["name"] == "girthstrip"
    assert told["in_all"] == "it can be met; the exposure itself must show it"


def test_what_cannot_be_judged_has_a_line_of_its_own(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Neither focal spot nor tube voltage is told, and no panel's SR_b."""
    text = GOOD + '[quality]\ntesting_class = "B"\nwanted = ["snr_n", "geometry"]\n'
    assert run(["measure", "--plan", str(config(tmp_path, text))]) == 0
    said = capsys.readouterr().out
    assert "not known      noise.snr_n: least SNR_N: no row of" in said
    assert "not known      geometry.source_distance_mm: " in said
    last = next(line for line in said.splitlines() if line.startswith("in all"))
    assert last.startswith("in all     not known whether it can be met: ")
    assert "noise.snr_n" in last and "geometry.source_distance_mm" in last


def test_a_thickness_without_a_row_is_not_known(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A profile of its own whose only row of source distance is class A's."""
    shipped = (FOLDER / "iso_17636_2_2013.toml").read_text(encoding="utf-8")
    lines = shipped.splitlines(keepends=True)
    at = lines.index("[distance]\n")
    row = next(k for k in range(at, len(lines)) if 'testing_class = "B"' in lines[k])
    (tmp_path / "own.toml").write_text("".join(lines[:row] + lines[row + 1 :]), encoding="utf-8")
    text = GOOD + QUALITY + 'profile_file = "own.toml"\nwanted = ["geometry"]\n'
    assert run(["measure", "--plan", str(config(tmp_path, text))]) == 0
    said = capsys.readouterr().out
    assert "has no row in this profile for class B" in said
    assert "in all     not known whether it can be met: geometry.source_distance_mm" in said


def test_nothing_wanted_is_nothing_asked(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    text = GOOD + QUALITY + "wanted = []\n"
    assert run(["measure", "--plan", str(config(tmp_path, text))]) == 0
    said = capsys.readouterr().out
    assert "in all     nothing is asked" in said
    assert "profile  " not in said


def test_a_config_that_asks_for_nothing_is_refused(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(["measure", "--plan", str(config(tmp_path, GOOD))]) == 2
    said = capsys.readouterr().err
    assert "no image quality is asked for" in said
    assert "weld.toml: " in said


def test_a_profile_that_is_not_there_is_told(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    text = GOOD + QUALITY + 'profile = "iso_17636_2_2031"\n'
    assert run(["measure", "--plan", str(config(tmp_path, text))]) == 2
    said = capsys.readouterr().err
    assert "Did you mean iso_17636_2_2013?" in said
    line = text.splitlines().index('profile = "iso_17636_2_2031"') + 1
    assert f"weld.toml:{line}: quality.profile" in said


def test_a_profile_file_that_is_not_there_is_told(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    text = GOOD + QUALITY + 'profile_file = "none.toml"\n'
    assert run(["measure", "--plan", str(config(tmp_path, text))]) == 2
    said = capsys.readouterr().err
    line = text.splitlines().index('profile_file = "none.toml"') + 1
    assert f"weld.toml:{line}: quality.profile_file" in said


def test_the_readme_shows_what_is_said(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    readme = (Path(__file__).parents[1] / "README.md").read_text(encoding="utf-8")
    example = readme[readme.index("Of a panel of 100 µm and a wall of 12 mm") :]
    lines = example.split("```")[1].removeprefix("text\n").strip("\n").splitlines()
    text = GOOD.replace("wall_mm = 12.7", "wall_mm = 12") + QUALITY + "detector_sr_b_mm = 0.1\n"
    assert run(["measure", "--plan", str(config(tmp_path, text))]) == 3
    said = capsys.readouterr().out
    assert len(lines) == 2
    assert all(line.removesuffix(" …") in said for line in lines)
