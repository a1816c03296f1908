"""The gauges that a simulated scan's config declares, against those that the simulation lays."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from pipeline.config.weld import WeldJob, load_weld_config
from pipeline.simulation.layout import place_items
from pipeline.simulation.presets import Preset, get_preset
from pipeline.simulation.scan_configs import stitch_text


def written(preset: Preset, folder: Path) -> WeldJob:
    path = folder / "stitch_quality.toml"
    path.write_text(stitch_text(preset, quality=True), encoding="utf-8")
    return load_weld_config(path)


@pytest.mark.parametrize("name", ["small", "two_wall", "arc", "ring24"])
def test_a_gauge_is_declared_where_it_is_laid(name: str, tmp_path: Path) -> None:
    """Each in its middle to 0.1 mm, with what a technician reads on it; of an arc only those that
    were shot."""
    preset = get_preset(name)
    told = written(preset, tmp_path).iqi
    laid = place_items(preset.shape, preset.layout, preset.kv, np.random.default_rng(1))
    shot_mm = preset.carriage.stops * preset.carriage.step_mm
    count = {"wire": 7, "duplex": 13}
    for kind, wires in count.items():
        items = [item for item in laid if item.kind == kind]
        gauges = [items[k : k + wires] for k in range(0, len(items), wires)]
        shot = [one for one in gauges if preset.ring or max(i.s_mm for i in one) < shot_mm]
        declared = [one for one in told if one.kind == kind]
        assert len(declared) == len(shot) == (3 if preset.ring else 1)
        for plan, gauge in zip(declared, shot, strict=True):
            assert plan.s_mm == pytest.approx(np.mean([i.s_mm for i in gauge]), abs=0.1)
            assert plan.z_mm == gauge[0].z_mm
            assert plan.length_mm == pytest.approx(gauge[0].length_mm)
            if kind == "wire":
                assert [f"W{number}" for number in plan.numbers] == [i.name for i in gauge]
                assert plan.spacing_mm == pytest.approx(gauge[1].s_mm - gauge[0].s_mm)


def test_only_one_of_the_two_configs_measures(tmp_path: Path) -> None:
    """Measuring costs a second, which who only stitches needn't wait for."""
    preset = get_preset("small")
    plain = tmp_path / "stitch.toml"
    plain.write_text(stitch_text(preset), encoding="utf-8")
    job, measured = load_weld_config(plain), written(preset, tmp_path)
    assert (job.quality, job.iqi) == (None, ())
    assert measured.quality is not None
    assert measured.quality.kv == preset.kv
    assert job.output.folder != measured.output.folder
