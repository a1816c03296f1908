"""The config's table of the image quality asked for: it may be missing, mistakes are told."""

from __future__ import annotations

from pathlib import Path

import pytest

from pipeline.config.weld import WeldJob, load_weld_config
from pipeline.errors import ConfigError
from tests.config.test_weld import GOOD

QUALITY = '[quality]\ntesting_class = "B"\n'


def load(folder: Path, text: str) -> WeldJob:
    path = folder / "weld.toml"
    path.write_text(text, encoding="utf-8")
    return load_weld_config(path)


def test_without_the_table_nothing_is_asked(tmp_path: Path) -> None:
    job = load(tmp_path, GOOD)
    assert job.quality is None
    assert "[quality]" not in job.text()


def test_defaults_and_a_round_trip(tmp_path: Path) -> None:
    job = load(tmp_path, GOOD + QUALITY + 'compensation = ["II"]\nfocal_spot_mm = 1.5\n')
    assert job.quality is not None
    assert job.quality.profile == "iso_17636_2_2013"
    assert job.quality.compensation == ("II",)
    assert load(tmp_path, job.text()) == job


def test_a_profile_of_ones_own_counts_from_the_config(tmp_path: Path) -> None:
    job = load(tmp_path, GOOD + QUALITY + 'profile_file = "own/iso.toml"\n')
    assert job.quality is not None
    assert job.quality.profile_file == tmp_path / "own" / "iso.toml"
    stored = job.text(stored_in=tmp_path / "result")
    (tmp_path / "result").mkdir()
    again = load(tmp_path / "result", stored)
    assert again.quality is not None
    assert again.quality.profile_file is not None
    assert again.quality.profile_file.resolve() == job.quality.profile_file.resolve()


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ("", "quality.testing_class: is missing"),
        ('testing_class = "C"', 'quality.testing_class = "C": must be "A" or "B"'),
        (
            'testing_class = "B"\ncompensation = ["IV"]',
            'compensation[0] = "IV": must be "I" or "II" or "III"',
        ),
        ('testing_class = "B"\nfocal_spot_mm = 0', "focal_spot_mm = 0: must lie in (0, 20]"),
        ('testing_class = "B"\nfocal_spot_um = 1000', "write it in mm: focal_spot_mm = 1"),
        ('testing_class = "B"\nwanted = ["snr"]', 'wanted[0] = "snr": must be "snr_n" or'),
    ],
)
def test_mistakes_are_told(tmp_path: Path, line: str, said: str) -> None:
    with pytest.raises(ConfigError) as caught:
        load(tmp_path, f"{GOOD}[quality]\n{line}\n")
    assert said in str(caught.value)


@pytest.mark.parametrize("name", ["iso_17636_2_2013", "asme_v_article_2"])
def test_two_profiles_are_refused(tmp_path: Path, name: str) -> None:
    text = GOOD + QUALITY + f'profile = "{name}"\nprofile_file = "own.toml"\n'
    line = text.splitlines().index(f'profile = "{name}"') + 1
    with pytest.raises(ConfigError, match=rf":{line}: quality.profile = .*is told too"):
        load(tmp_path, text)
