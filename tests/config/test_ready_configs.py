"""The configs that come with the tool load, fit the simulated scans, and show no stale default."""

from __future__ import annotations

import re
from dataclasses import fields
from pathlib import Path
from typing import get_args

import pytest

from pipeline.config.calibrate import CalibrateJob, load_calibrate_config
from pipeline.config.records import Section
from pipeline.config.weld import WeldJob, load_weld_config
from pipeline.config.weld_sections import Frames
from pipeline.quality.gauges.iqi_plans import IqiPlan
from pipeline.quality.limits import Limits
from pipeline.quality.marks.mark_plans import DatumPlan, TapePlan
from pipeline.simulation.presets import get_preset
from pipeline.simulation.scan_configs import calibrate_text, stitch_text
from pipeline.stages import STAGES

CONFIGS = Path(__file__).parents[2] / "configs"
FITS = {"panoramic": "ring24", "two_wall": "two_wall", "continuous": "continuous24"}


def simulated(tmp_path: Path, preset: str) -> tuple[CalibrateJob, WeldJob]:
    """What the configs that the simulation writes beside its frames say."""
    (tmp_path / "c.toml").write_text(calibrate_text(get_preset(preset)), encoding="utf-8")
    (tmp_path / "s.toml").write_text(stitch_text(get_preset(preset)), encoding="utf-8")
    return load_calibrate_config(tmp_path / "c.toml"), load_weld_config(tmp_path / "s.toml")


def test_every_ready_config_is_tested() -> None:
    assert {path.stem for path in CONFIGS.glob("*.toml")} == {*FITS, "calibration", "peers"}


@pytest.mark.parametrize("name", FITS)
def test_weld_configs_fit_the_scan_that_they_name(name: str, tmp_path: Path) -> None:
    job = load_weld_config(CONFIGS / f"{name}.toml")
    _, scan = simulated(tmp_path, FITS[name])

    assert job.weld.id == scan.weld.id
    assert (job.weld.diameter_mm, job.weld.wall_mm) == (scan.weld.diameter_mm, scan.weld.wall_mm)
    assert job.panel == scan.panel
    assert job.geometry == scan.geometry
    assert job.scan.ring == scan.scan.ring
    assert job.frames.folder == CONFIGS / "frames"
    assert f'scan "{FITS[name]}"' in (CONFIGS / f"{name}.toml").read_text(encoding="utf-8")


def test_the_calibration_config_fits_the_large_panel(tmp_path: Path) -> None:
    job = load_calibrate_config(CONFIGS / "calibration.toml")
    made, _ = simulated(tmp_path, "ring24")

    assert job.panel == made.panel
    assert job.calibration == made.calibration
    assert [(one.kind, one.folder.name, one.dose) for one in job.exposures] == [
        (one.kind, one.folder.name, one.dose) for one in made.exposures
    ]


def test_what_is_commented_out_is_allowed_too(tmp_path: Path) -> None:
    """Lines like ``# key = value   # why`` are offers: they must load when the # is removed."""
    text = (CONFIGS / "calibration.toml").read_text(encoding="utf-8")
    offered = re.sub(r"^# (?=[a-z_]+ = )", "", text, flags=re.MULTILINE)
    (tmp_path / "c.toml").write_text(offered, encoding="utf-8")
    assert load_calibrate_config(tmp_path / "c.toml").calibration.kv_max == 220.0

    text = (CONFIGS / "panoramic.toml").read_text(encoding="utf-8")
    offered = re.sub(r"^# (?=[a-z_]+ = |\[)", "", text, flags=re.MULTILINE)
    offered = re.sub(r"^profile = .*\n", "", offered, flags=re.MULTILINE)  # either, or
    offered = offered.replace('format = "tiff"', 'format = "binary"')
    offered = offered.replace('"flat_field", ', '"flat_field", "lag", ')
    (tmp_path / "w.toml").write_text(offered, encoding="utf-8")
    job = load_weld_config(tmp_path / "w.toml")
    assert job.frames.binary is not None
    assert job.strip.axial_mm == (-50.0, 50.0)
    assert "lag" in job.stages.sequence
    assert job.tape is not None
    assert job.datum is not None
    offers = TapePlan(z_mm=job.tape.z_mm, long_z_mm=job.tape.long_z_mm)
    assert job.tape == offers, "what is offered is the default"
    (gauge,) = job.iqi
    assert gauge == IqiPlan("wire", gauge.s_mm, gauge.z_mm, material="FE")

    text = (CONFIGS / "continuous.toml").read_text(encoding="utf-8")
    offered = re.sub(r"^sequence.*\n", "", text, flags=re.MULTILINE)
    offered = re.sub(r"^# (?=sequence = )", "", offered, flags=re.MULTILINE)
    (tmp_path / "l.toml").write_text(offered, encoding="utf-8")
    assert "lag" in load_weld_config(tmp_path / "l.toml").stages.sequence


def test_the_panoramic_config_shows_the_defaults_as_they_are(tmp_path: Path) -> None:
    """It explains every key, so a default that has changed since would be told wrongly."""
    full = load_weld_config(CONFIGS / "panoramic.toml")
    short = load_weld_config(CONFIGS / "continuous.toml")
    for section in ("frames", "strip", "limits"):
        assert getattr(full, section) == getattr(short, section)
    assert full.geometry == short.geometry
    assert (
        load_calibrate_config(CONFIGS / "calibration.toml").bad_pixels
        == type(load_calibrate_config(CONFIGS / "calibration.toml").bad_pixels)()
    )


def test_the_panoramic_config_explains_every_key() -> None:
    text = (CONFIGS / "panoramic.toml").read_text(encoding="utf-8")
    explained = set(re.findall(r"^(?:# )?([a-z_]+) = ", text, re.MULTILINE))
    sections = [*WeldJob.model_fields.values(), *Frames.model_fields.values()]
    keys = {
        key
        for field in sections
        for record in (field.annotation, *get_args(field.annotation))
        if isinstance(record, type) and issubclass(record, Section)
        for key in record.model_fields
    }
    keys |= {
        field.name
        for record in (Limits, TapePlan, DatumPlan, IqiPlan, *STAGES.values())
        for field in fields(record)
    }
    # The source of a scan through two walls is explained in that scan's config.
    elsewhere = {"source_distance_mm", "binary", *STAGES}
    assert keys - explained - elsewhere == set()
