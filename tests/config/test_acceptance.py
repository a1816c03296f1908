"""The table [acceptance] of a calibration's config."""

from __future__ import annotations

import re
from dataclasses import fields
from pathlib import Path

import pytest

from pipeline.config.calibrate import load_calibrate_config
from pipeline.errors import ConfigError
from pipeline.quality.acceptance_limits import AcceptanceLimits

READY = Path(__file__).parents[2] / "configs" / "calibration.toml"


def test_the_ready_config_explains_every_limit_and_shows_the_defaults() -> None:
    text = READY.read_text(encoding="utf-8")
    section = text.split("[acceptance]\n")[1].split("\n\n")[0]
    explained = set(re.findall(r"^(?:# )?([a-z_]+) = ", section, re.MULTILINE))
    assert explained == {field.name for field in fields(AcceptanceLimits)}
    assert load_calibrate_config(READY).acceptance == AcceptanceLimits()


def test_a_limit_that_means_nothing_is_told_with_its_line(tmp_path: Path) -> None:
    text = READY.read_text(encoding="utf-8")
    path = tmp_path / "calibration.toml"
    path.write_text(text.replace("uniformity = 0.01 ", "uniformity = 0 "), encoding="utf-8")
    with pytest.raises(ConfigError, match=r"acceptance.uniformity = 0: must be greater than 0"):
        load_calibrate_config(path)
    path.write_text(text.replace("uniformity = 0.01 ", "uniformty = 0.01 "), encoding="utf-8")
    with pytest.raises(ConfigError, match=r"did you mean uniformity\?"):
        load_calibrate_config(path)
