"""What a job asks of its picture, from its tables, its profile and how it was shot."""

from __future__ import annotations

import math
from pathlib import Path

import pytest

from pipeline.asked import known_of, profile_of, weld_case
from pipeline.config.quality_wanted import Quality
from pipeline.config.weld import WeldJob, load_weld_config
from pipeline.plan import scan_geometry
from pipeline.quality.asked.requirement import SNR_N, WIRE
from tests.config.test_weld import GOOD

QUALITY = '[quality]\ntesting_class = "B"\nfocal_spot_mm = 2.0\nkv = 100\n'
WIRES = '[[iqi]]\nkind = "wire"\ns_mm = 100.0\nz_mm = 0.0\n'


def job(folder: Path, text: str) -> WeldJob:
    path = folder / "weld.toml"
    path.write_text(text, encoding="utf-8")
    return load_weld_config(path)


def test_without_the_table_nothing_is_asked(tmp_path: Path) -> None:
    told = job(tmp_path, GOOD + WIRES)
    known = known_of(told, profile_of(None), *scan_geometry(told), kv=200, facts=None)
    assert known.asked.asked == ()
    assert len(known.iqis) == 1
    assert known.source_side_scale == pytest.approx(304.8 / (304.8 - 12.7))
    assert known.exposure is not None
    assert known.exposure.focal_spot_mm is None


def test_the_frames_tube_voltage_counts_before_the_one_meant(tmp_path: Path) -> None:
    """Class B: 120 up to 150 kV, 100 above; 1.4 times beside the cap."""
    told = job(tmp_path, GOOD + QUALITY)
    profile, geometry = profile_of(told.quality), scan_geometry(told)
    asked = [known_of(told, profile, *geometry, kv=kv, facts=None).asked for kv in (None, 200)]
    assert [one.of(SNR_N).value for one in asked] == [168, 140]  # type: ignore[union-attr]


@pytest.mark.parametrize("side", ["source", "detector"])
def test_the_declared_gauge_tells_its_side(tmp_path: Path, side: str) -> None:
    told = job(tmp_path, GOOD + QUALITY + WIRES + f'side = "{side}"\n')
    assert told.quality is not None
    assert weld_case(told, told.quality, 200).iqi_side == side
    known = known_of(told, profile_of(told.quality), *scan_geometry(told), kv=200, facts=None)
    wire = known.asked.of(WIRE)
    assert wire is not None
    assert ("mark it F" in wire.note) is (side == "detector")


def test_what_a_profile_does_not_tell_is_read_by_the_usual_one() -> None:
    profile = profile_of(Quality(testing_class="A", profile="asme_v_article_2"))
    assert profile.standard.name == "ASME V Article 2"
    assert profile.wires is not None
    assert profile.wire is None
    assert "wires, pairs, snr_window, reading of iso_17636_2_2013.toml" in profile.identity


def test_through_two_walls(tmp_path: Path) -> None:
    """Twice the wall; and what lies 12.7 mm nearer to a source 300 mm off the axis is larger."""
    two = GOOD.replace(
        "standoff_mm = 10", 'standoff_mm = 10\narrangement = "two_wall"\nsource_distance_mm = 400'
    )
    told = job(tmp_path, two + QUALITY)
    known = known_of(told, profile_of(told.quality), *scan_geometry(told), kv=200, facts=None)
    assert known.penetrated_mm == 25.4
    assert known.source_side_scale == pytest.approx(704.8 / (704.8 - 12.7))
    assert known.thickness_ratio is not None
    assert math.isfinite(known.thickness_ratio)
