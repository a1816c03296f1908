"""``girthstrip measure --plan``: config and calibration to findings, words and exit code."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from pipeline.cli import run
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
    assert "can't be reached like this: iqi.wire_positions" in said
    assert "never accepts or rejects a weld" in said


def test_only_what_is_wanted_is_asked(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    text = GOOD + QUALITY + 'wanted = ["sharpness", "geometry"]\ndetector_sr_b_mm = 0.1\n'
    assert run(["measure", "--plan", str(config(tmp_path, text)), "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert {one["id"]: one["reach"] for one in told["findings"]} == {
        "geometry.source_distance_mm": "reached",
        "geometry.thickness_ratio": "reached",
        "sharpness.sr_b_mm": "reached",
    }


def test_a_config_that_asks_for_nothing_is_refused(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(["measure", "--plan", str(config(tmp_path, GOOD))]) == 2
    assert "no image quality is asked for" in capsys.readouterr().err


def test_a_profile_that_is_not_there_is_told(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    text = GOOD + QUALITY + 'profile = "iso_17636_2_2031"\n'
    assert run(["measure", "--plan", str(config(tmp_path, text))]) == 2
    assert "Did you mean iso_17636_2_2013?" in capsys.readouterr().err


def test_the_readme_shows_what_is_said(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    readme = (Path(__file__).parents[1] / "README.md").read_text(encoding="utf-8")
    example = readme[readme.index("Of a panel of 100 µm and a wall of 12 mm") :]
    lines = example.split("```")[1].removeprefix("text\n").strip("\n").splitlines()
    text = GOOD.replace("wall_mm = 12.7", "wall_mm = 12") + QUALITY + "detector_sr_b_mm = 0.1\n"
    assert run(["measure", "--plan", str(config(tmp_path, text))]) == 3
    said = capsys.readouterr().out
    assert len(lines) == 2
    assert all(line.removesuffix(" …") in said for line in lines)
