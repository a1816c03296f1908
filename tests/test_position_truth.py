"""Places in the strip against the truth: the location tape's ticks, found and where they are."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import tifffile

from pipeline.config.weld import WeldJob, load_weld_config
from pipeline.io.strip import read_maps, read_strip
from pipeline.model import Origin, Strip, StripGrid, Verdict
from pipeline.quality.log import QualityLog
from pipeline.quality.marks.tape import check_tape
from pipeline.run import run_weld
from pipeline.simulation import layout
from pipeline.simulation.presets import get_preset
from pipeline.simulation.scan import build_scene
from pipeline.simulation.scan_configs import stitch_text
from pipeline.simulation.truth import strip_grid, true_strip
from tests.weld_folder import ShippedResult, read_json, simulate

RINGS = ("small", "two_wall")


def promised_mm(s_mm: float | np.ndarray) -> Any:
    """How far a place may lie from where it is: 0.1 mm + 0.02 % of its distance from the datum."""
    return 0.1 + 2e-4 * np.abs(s_mm)


def true_ticks(scan: Path) -> dict[int, float]:
    """Where each tick of the tape lies, by its number."""
    marks = read_json(scan / "truth" / "truth.json")["marks"]
    return {int(mark["name"]): mark["s_mm"] for mark in marks if mark["kind"] == "tick"}


def strip_of_folder(folder: Path, log: QualityLog) -> Strip:
    facts, maps = log.strip, read_maps(folder / "maps.tif")
    overrun = round(facts.overrun_mm / facts.pitch_mm)
    grid = StripGrid(
        facts.rows,
        facts.columns - overrun,
        facts.pitch_mm,
        facts.s_first_mm,
        facts.z_first_mm,
        facts.ring,
        overrun,
    )
    values = read_strip(folder / "strip.tif")[0]
    return Strip(grid, values, maps.sigma, maps.count, maps.origin, facts.sigma_scale)


def strip_of_truth(dose: np.ndarray, z_first_mm: float, turn_mm: float, seed: int) -> Strip:
    """A strip that is the truth itself, with the noise of two frames of SNR 150."""
    rng = np.random.default_rng(seed)
    values = 20_000 * dose * (1 + rng.normal(0, 1 / 212, dose.shape))
    rows, columns = dose.shape
    ones = np.ones(dose.shape, np.uint8)
    grid = StripGrid(rows, columns, turn_mm / columns, 0.0, z_first_mm, True)
    sigma = np.ones(dose.shape, np.uint16)
    return Strip(
        grid, np.rint(values).astype(np.uint16), sigma, ones, ones * np.uint8(Origin.MEASURED), 1.0
    )


@pytest.mark.parametrize("name", RINGS)
def test_every_tick_of_a_ring_is_found_where_it_is(
    name: str, shipped_result: ShippedResult
) -> None:
    scan, _, log = shipped_result(name)
    true = true_ticks(scan)
    assert log.tape is not None
    assert [tick.number for tick in log.tape.ticks] == sorted(true)
    for tick in log.tape.ticks:
        off = tick.s_mm - true[tick.number]
        assert abs(off) <= promised_mm(tick.s_mm)
        assert tick.deviation_mm == pytest.approx(off, abs=1e-6)  # the tape is laid without fault
    check = next(check for check in log.checks if check.id == "position.tape_mm")
    assert check.verdict is Verdict.PASS
    # The simulated tape ends so far before its beginning.
    closing = log.strip.circumference_mm - max(true.values())
    assert log.tape.closing_mm == pytest.approx(closing, abs=0.2)


def test_part_of_a_tape_is_found_on_an_arc(shipped_result: ShippedResult) -> None:
    """The arc begins before the datum and shows the tape's other end there, which doesn't count."""
    scan, _, log = shipped_result("arc")
    assert log.tape is not None
    assert all(abs(tick.deviation_mm) <= promised_mm(tick.s_mm) for tick in log.tape.ticks)
    numbers = [tick.number for tick in log.tape.ticks]
    end_mm = log.strip.s_first_mm + log.strip.columns * log.strip.pitch_mm
    assert numbers == list(range(len(numbers)))
    assert len(numbers) >= int(end_mm / 10) - 1
    assert len(numbers) < len(true_ticks(scan))
    assert log.tape.closing_mm is None


def test_a_wrong_standoff_on_an_arc_is_seen_by_the_tape(arc_scan: Path, tmp_path: Path) -> None:
    """Nothing closes an arc. Told 13 mm for 10, distances are too short by 3 mm in R + 13 mm."""
    told = {"output.folder": tmp_path / "out", "geometry.standoff_mm": 13.0}
    log = run_weld(load_weld_config(arc_scan / "stitch.toml", told)).log
    assert log.tape is not None
    # What else there is of a slope on an arc: the source's place, 0.2 mm per m; and the stand-off
    # may be moved a little by the frames.
    assert log.tape.stretch == pytest.approx(-3.0 / (161.95 + 13.0), abs=0.003)
    check = next(check for check in log.checks if check.id == "position.tape_mm")
    assert check.verdict is Verdict.FAIL


@pytest.mark.parametrize("name", RINGS)
def test_ticks_in_the_true_strip_are_found_to_a_fifth_of_a_pixel(
    name: str, request: pytest.FixtureRequest
) -> None:
    """What the finding itself adds: no error of the strip is in this."""
    scan: Path = request.getfixturevalue(f"{name}_scan")
    truth = read_json(scan / "truth" / "truth.json")
    job = load_weld_config(scan / "stitch.toml")
    turn_mm = truth["geometry"]["circumference_mm"]
    dose = tifffile.imread(scan / "truth" / "strip.tif")
    assert job.tape is not None
    found = check_tape(
        strip_of_truth(dose, truth["strip"]["z_first_mm"], turn_mm, 1), job.tape, turn_mm
    ).tape
    assert found is not None
    true = true_ticks(scan)
    assert [tick.number for tick in found.ticks] == sorted(true)
    # The scene is a map of 0.05 mm; a tick's edges are on it to a part of that.
    assert max(abs(tick.s_mm - true[tick.number]) for tick in found.ticks) <= 0.02


@pytest.mark.parametrize("name", [*RINGS, "arc"])
def test_no_other_band_of_the_strip_holds_a_tape(name: str, shipped_result: ShippedResult) -> None:
    """Bands over figures, wires, pairs of wires, weld and bare plate."""
    scan, out, log = shipped_result(name)
    strip = strip_of_folder(out, log)
    plan = load_weld_config(scan / "stitch.toml").tape
    assert plan is not None
    low, high = strip.grid.z_first_mm, strip.grid.z_first_mm + 0.1 * (strip.grid.rows - 1)
    # An arc hardly tells the panel's roll: off by 0.06°, its end stands 0.25 mm too low.
    ticks_low, ticks_high = plan.z_mm[0] - 0.6, get_preset(name).layout.tick_z_mm + 1.4
    for z in np.arange(low, high - 0.5, 0.25):
        if z + 0.4 < ticks_low or z > ticks_high:
            band = (float(z), float(z) + 0.4)
            other = type(plan)(z_mm=band, width_mm=plan.width_mm)
            assert check_tape(strip, other, log.strip.circumference_mm).tape is None, band


@pytest.mark.parametrize(
    ("ticks", "said"),
    [
        (39, "the tape's end lies 20.9 mm over its beginning"),
        (30, "no ticks for 69.1 mm between the tape's end and its beginning"),
    ],
)
def test_a_tape_laid_too_long_or_too_short_is_recognised(
    ticks: int, said: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The ring is 359.1 mm long, its tape has ticks up to 380 or 290 mm."""
    laid = layout._tape
    length_mm = 10.0 * ticks  # the simulation ends a tape 5 mm before this
    monkeypatch.setattr(layout, "_tape", lambda _, *rest: laid(length_mm, *rest))
    scene = build_scene(get_preset("small"), 4)
    _, columns, pitch, z_first = strip_grid(scene)
    strip = strip_of_truth(true_strip(scene), z_first, columns * pitch, 4)
    plan = told_tape(tmp_path, "small").tape
    assert plan is not None
    found = check_tape(strip, plan, columns * pitch)
    assert found.tape is not None
    assert [tick.number for tick in found.tape.ticks] == list(range(ticks))
    # Ticks that lie 0.9 mm beside one another disturb each other's surroundings.
    assert max(abs(tick.deviation_mm) for tick in found.tape.ticks) <= 0.1
    assert said in found.check.note


def _nothing(*_: object) -> Iterator[layout.Item]:
    return iter(())


def told_tape(tmp_path: Path, name: str) -> WeldJob:
    path = tmp_path / "stitch.toml"
    path.write_text(stitch_text(get_preset(name)), encoding="utf-8")
    return load_weld_config(path)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_no_tape_is_invented_on_a_weld_without_one(
    seed: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(layout, "_tape", _nothing)
    scene = build_scene(get_preset("small"), seed)
    rows, columns, pitch, z_first = strip_grid(scene)
    strip = strip_of_truth(true_strip(scene), z_first, columns * pitch, seed)
    assert strip.grid.shape == (rows, columns)
    plan = told_tape(tmp_path, "small").tape
    assert plan is not None
    found = check_tape(strip, plan, columns * pitch)
    assert found.tape is None
    assert (found.check.value, found.check.verdict) == (None, Verdict.ATTENTION)
    assert "no tape" in found.check.note


def test_a_scan_without_its_tape_asks_for_attention(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The whole way from frames to log."""
    monkeypatch.setattr(layout, "_tape", _nothing)
    scan = simulate("small", tmp_path / "scan")
    log = run_weld(load_weld_config(scan / "stitch.toml")).log
    assert log.tape is None
    judged = {check.id: check.verdict for check in log.checks}
    assert judged.pop("position.tape_mm") is Verdict.ATTENTION
    assert set(judged.values()) == {Verdict.PASS}
