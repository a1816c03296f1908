"""Image quality indicators of a stitched scan against the simulation's truth."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import tifffile

from pipeline.config.weld import load_weld_config
from pipeline.io.strip import read_strip
from pipeline.model import StripGrid
from pipeline.quality.gauges.iqi_plans import IqiPlan
from pipeline.quality.gauges.iqis import IqiRead, read_iqis
from pipeline.run import run_weld
from pipeline.simulation.gauge_tables import SEARCH_MM
from pipeline.simulation.layout import DUPLEX_MM, WIRES_MM
from pipeline.simulation.presets import get_preset
from pipeline.simulation.spectrum import TABLE_STEP_MM, transmission_table
from tests.quality.wire_shots import seen_mm
from tests.weld_folder import read_json

NAME = "small"
# A gauge is told by hand, and a little wrong.
TOLD_OFF_MM = 1.3


def plans_of(scan: Path) -> list[IqiPlan]:
    """Where the truth has the three gauges of each kind, told a little wrong."""
    layout = get_preset(NAME).layout
    gauges = read_json(scan / "truth" / "truth.json")["gauges"]
    plans: list[IqiPlan] = []
    for kind, spacing_mm in (
        ("wire", layout.wire_spacing_mm),
        ("duplex", layout.duplex_spacing_mm),
    ):
        items = [item for item in gauges if item["kind"] == kind]
        count = len(items) // 3
        for first in range(0, len(items), count):
            gauge = items[first : first + count]
            plans.append(
                IqiPlan(
                    kind,  # type: ignore[arg-type]
                    float(np.mean([item["s_mm"] for item in gauge])) + TOLD_OFF_MM,
                    gauge[0]["z_mm"] - 0.4,
                    length_mm=gauge[0]["length_mm"],
                    spacing_mm=spacing_mm,
                    search_mm=SEARCH_MM,
                )
            )
    return plans


@pytest.fixture(scope="module")
def read(
    small_scan: Path, tmp_path_factory: pytest.TempPathFactory
) -> tuple[tuple[IqiRead, ...], tuple[IqiRead, ...]]:
    """Of the stitched strip, and of the true one, which has no noise."""
    plans = plans_of(small_scan)
    out = tmp_path_factory.mktemp("iqi") / NAME
    facts = run_weld(load_weld_config(small_scan / "stitch.toml", {"output.folder": out})).log.strip
    grid = StripGrid(
        facts.rows,
        facts.columns - round(facts.overrun_mm / facts.pitch_mm),
        facts.pitch_mm,
        facts.s_first_mm,
        facts.z_first_mm,
        facts.ring,
        round(facts.overrun_mm / facts.pitch_mm),
    )
    truth = read_json(small_scan / "truth" / "truth.json")["strip"]
    true_grid = StripGrid(
        truth["rows"], truth["columns"], truth["pitch_mm"], 0.0, truth["z_first_mm"], True
    )
    dose = tifffile.imread(small_scan / "truth" / "strip.tif")
    tables = {"wire_diameters_mm": WIRES_MM, "duplex_table": DUPLEX_MM}
    found = read_iqis(read_strip(out / "strip.tif")[0], grid, plans, **tables)  # type: ignore[arg-type]
    return found, read_iqis(dose, true_grid, plans, **tables)  # type: ignore[arg-type]


def test_every_gauge_is_found_in_its_place(
    read: tuple[tuple[IqiRead, ...], tuple[IqiRead, ...]],
) -> None:
    for one in read[0]:
        assert one.found, one.why_not
        assert one.s_mm is not None
        # What the strip promises, and half a pixel of the search.
        promised_mm = 0.1 + 2e-4 * one.plan.s_mm + 0.05
        assert one.s_mm == pytest.approx(one.plan.s_mm - TOLD_OFF_MM, abs=promised_mm)


def test_the_strip_is_as_sharp_as_it_can_be(
    read: tuple[tuple[IqiRead, ...], tuple[IqiRead, ...]],
) -> None:
    """SR_b in the strip against SR_b in the true strip, which the panel has blurred but nothing
    else: interpolation, places and averaging cost less than 5 %."""
    for stitched, true in zip(*read, strict=True):
        if stitched.duplex is not None and true.duplex is not None:
            assert stitched.duplex.sr_b_mm == pytest.approx(true.duplex.sr_b_mm, rel=0.05)
            assert stitched.duplex.lean_deg == pytest.approx(3.0, abs=0.3)


def test_wires_are_as_dark_as_their_steel_makes_them(
    read: tuple[tuple[IqiRead, ...], tuple[IqiRead, ...]],
) -> None:
    preset = get_preset(NAME)
    shape = preset.shape
    table = transmission_table(preset.kv, reference_kv=preset.kv, reference_mm=shape.wall_mm)
    steel = np.arange(table.size) * TABLE_STEP_MM
    # The wires are read across the whole cap; cap and root are about two thirds full.
    reinforcement_mm = 2 / 3 * shape.cap_height_mm
    reinforcement_mm += 2 / 3 * shape.root_height_mm * shape.root_half_width_mm / 5.0
    behind_mm = shape.wall_mm + reinforcement_mm
    sigma_mm = 0.07  # of the focal spot's blur and the panel's together, seen on the surface
    for one in read[0]:
        assert (one.wire is None) == (one.plan.kind == "duplex")
        for wire in one.wire.wires[:4] if one.wire else ():
            peak_mm = float(seen_mm(wire.diameter_mm, sigma_mm)[1].max())
            bare, behind = np.interp([behind_mm, behind_mm + peak_mm], steel, table)
            depth = -np.log((behind + preset.scatter) / (bare + preset.scatter))
            # The blur is known to 5 %, which is 4 % of W13's depth; scatter varies over the cap.
            assert wire.depth == pytest.approx(depth, rel=0.08, abs=3 * wire.depth_sigma)
