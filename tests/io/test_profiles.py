"""Profiles of standards: the shipped one, a user's own, and what is said about faults."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

import pytest

from pipeline.config.quality_wanted import Quality
from pipeline.errors import ConfigError
from pipeline.geometry import ScanGeometry
from pipeline.io.profiles import FOLDER, profile_path, read_profile, shipped_profiles
from pipeline.quality.asked.exposure_geometry import exposure_geometry
from pipeline.quality.asked.requirement import UG
from pipeline.quality.asked.requirements import requirements
from tests.quality.profiles import case

ISO = FOLDER / "iso_17636_2_2013.toml"


def changed(folder: Path, old: str, new: str) -> Path:
    text = ISO.read_text(encoding="utf-8")
    assert old in text
    path = folder / "own.toml"
    path.write_text(text.replace(old, new, 1), encoding="utf-8")
    return path


@pytest.mark.parametrize("name", shipped_profiles())
def test_what_is_shipped_reads_and_says_where_it_is_from(name: str) -> None:
    profile = read_profile(profile_path(Quality(testing_class="B", profile=name)))
    assert profile.standard.caution == "check against your licensed copy"
    assert profile.identity.startswith(f"{name}.toml sha256:")
    marks = []

    def collect(value: object) -> None:
        if isinstance(value, dict):
            marks.extend(text for key, text in value.items() if key.endswith("mark"))
            for one in value.values():
                collect(one)
        elif isinstance(value, list):
            for one in value:
                collect(one)

    collect(tomllib.loads((FOLDER / f"{name}.toml").read_text(encoding="utf-8")))
    assert all("memory" in mark or "found" in mark or "computed" in mark for mark in marks)


def test_wires_are_the_preferred_numbers() -> None:
    """ISO 3's R10: 10^(k/10), rounded; the standards round some of them further (0.315 → 0.32,
    0.630 → 0.63), by 1.6 % at most."""
    wires = read_profile(ISO).wires
    assert wires is not None
    for number, row in enumerate(wires.rows, start=1):
        assert row.name == f"W{number}"
        assert row.diameter_mm == pytest.approx(10 ** ((6 - number) / 10), rel=0.017)


def test_pairs_are_the_preferred_numbers() -> None:
    pairs = read_profile(ISO).pairs
    assert pairs is not None
    for number, row in enumerate(pairs.rows):
        assert row.diameter_mm == pytest.approx(10 ** (-(number + 1) / 10), rel=0.035)


def test_a_copy_of_ones_own_replaces_it(tmp_path: Path) -> None:
    path = changed(tmp_path, "class_a = 70, class_b = 100", "class_a = 71, class_b = 101")
    assert profile_path(Quality(testing_class="B", profile_file=path)) == path
    own = read_profile(path)
    assert own.snr_row("steel, copper, nickel", "x_ray", 200, 10).class_b == 101  # type: ignore[union-attr]
    assert own.identity != read_profile(ISO).identity


def test_an_unknown_name_is_refused_with_those_there_are(tmp_path: Path) -> None:
    with pytest.raises(ConfigError, match=r"Did you mean iso_17636_2_2013\? .* by profile_file"):
        profile_path(Quality(testing_class="B", profile="iso_17636_2"))
    with pytest.raises(ConfigError, match="there is no such file"):
        read_profile(tmp_path / "mine.toml")


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        (
            "over_kv = 50, up_to_kv = 150",
            "over_kv = 50, up_to_kv = 160",
            "snr_n.rows[2]: holds for something that row 1",
        ),
        (
            "over_kv = 50, up_to_kv = 150",
            "over_kv = 150, up_to_kv = 50",
            "up_to_kv = 50: must be greater than 150",
        ),
        (
            'group = "steel, copper, nickel", sources',
            'group = "stele", sources',
            "is no group of [materials]: aluminium, titanium, steel, copper, nickel",
        ),
        ('wire = "W18"', 'wire = "W20"', 'wire.rows[0].wire = "W20": is no wire of [wires]'),
        (
            "over_mm = 1.2, up_to_mm = 2,",
            "over_mm = 1.3, up_to_mm = 2,",
            "wire.rows[1].over_mm = 1.3: must begin where the row before it ends",
        ),
        (
            'pair = "D12", sr_b_mm = 0.063',
            'pair = "D12", sr_b_mm = 0.07',
            "sr_b_mm = 0.07: must be the diameter of D12, 0.063",
        ),
        ('pair = "D12"', 'pair = "D99"', 'pair = "D99": is no pair of [pairs]'),
        ('name = "W2", diameter_mm = 2.50', 'name = "W1", diameter_mm = 3.50', "is there twice"),
        (
            'name = "W2", diameter_mm = 2.50',
            'name = "W2", diameter_mm = 3.50',
            "diameter_mm = 3.5: must be less than the row's before it",
        ),
        (
            '{ testing_class = "B", factor = 15',
            '{ testing_class = "A", factor = 15',
            'distance.rows[1].testing_class = "A": is there twice',
        ),
        ("[snr_window]\n", "[snr_windows]\n", "there is no such section; did you mean snr_window?"),
        ("beside_factor = 1.4", "beside_factor = 0.4", "must be at least 1"),
        (
            ', mark = "from memory" },\n  { group = "alum',
            ' },\n  { group = "alum',
            "mark: is missing (where the figure comes from)",
        ),
    ],
)
def test_faults_are_told_with_their_line(tmp_path: Path, old: str, new: str, said: str) -> None:
    path = changed(tmp_path, old, new)
    with pytest.raises(ConfigError) as caught:
        read_profile(path)
    assert said in str(caught.value)
    line = (
        path.read_text(encoding="utf-8")[: path.read_text(encoding="utf-8").index(new)].count("\n")
        + 1
    )
    numbers = [
        int(text.split(":")[1]) for text in str(caught.value).replace(str(path), "own").splitlines()
    ]
    assert any(abs(number - line) <= 1 for number in numbers)


def test_all_faults_come_at_once(tmp_path: Path) -> None:
    path = changed(tmp_path, "class_a = 100", "class_a = -1")
    text = path.read_text(encoding="utf-8").replace("factor = 7.5", "factor = 0")
    path.write_text(text, encoding="utf-8")
    with pytest.raises(ConfigError) as caught:
        read_profile(path)
    assert len(str(caught.value).splitlines()) == 2


@pytest.mark.parametrize(("wall", "most"), [(12.7, 0.51), (60, 0.76), (80, 1.02), (120, 1.78)])
def test_geometric_unsharpness_by_thickness(wall: float, most: float) -> None:
    """Two public pages: 0.020, 0.030, 0.040, 0.070 in."""
    profile = read_profile(FOLDER / "asme_v_article_2.toml")
    exposure = exposure_geometry(ScanGeometry(500.0, 10.0), wall, 3.0)
    asked = requirements(profile, case(wall_mm=wall, diameter_mm=1000.0), exposure)
    assert [(one.id, one.value) for one in asked.asked] == [(UG, most)]
    assert asked.untold == ()


def test_a_key_missing_in_every_row_is_told_once(tmp_path: Path) -> None:
    head, rest = ISO.read_text(encoding="utf-8").split("[snr_n]", 1)
    rows, tail = rest.split("\n]", 1)
    bare = re.sub(', mark = "[^"]*"', "", rows)
    path = tmp_path / "own.toml"
    path.write_text(f"{head}[snr_n]{bare}\n]{tail}", encoding="utf-8")
    with pytest.raises(ConfigError) as caught:
        read_profile(path)
    (line,) = str(caught.value).splitlines()
    assert "snr_n.rows: mark is missing" in line
    assert "in 18 rows, lines 30 to 47" in line


def test_a_class_a_that_asks_for_more_is_told(tmp_path: Path) -> None:
    assert read_profile(ISO).odd_classes() == ()
    profile = read_profile(
        changed(tmp_path, "class_a = 100, class_b = 150", "class_a = 160, class_b = 150")
    )
    (said,) = profile.odd_classes()
    assert "SNR_N 160 for class A, 150 for B" in said
