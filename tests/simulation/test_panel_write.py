from __future__ import annotations

import csv
import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import tifffile

from pipeline.cli import run
from pipeline.config.calibrate import load_calibrate_config
from pipeline.errors import OutputError
from pipeline.model import PixelClass
from pipeline.simulation.panel_plan import DarkSet, Fault, PanelPlan
from pipeline.simulation.panel_write import panel_config, write_panel
from tests.simulation.panels import SMALL

TINY = replace(
    SMALL,
    darks=(DarkSet("dark_22c", frames=5), DarkSet("dark_38c", temperature_c=38.0, frames=2)),
    flats=tuple(replace(flat, frames=4) for flat in SMALL.flats[:2]),
    step_off_lit=2,
    step_off_dark=2,
    gauge_frames=1,
)


def test_another_seed_is_another_panel(tmp_path: Path) -> None:
    for seed, serial in ((1, "SIM-0001"), (2, "SIM-0002")):
        (tmp_path / "calibrate.toml").write_text(panel_config(PanelPlan(), seed))
        assert load_calibrate_config(tmp_path / "calibrate.toml").panel.serial == serial


@pytest.fixture(scope="module")
def written(tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("panel") / "panel"
    assert write_panel(TINY, out, seed=5, faults=tuple(Fault)) == out
    return out


def files(folder: Path) -> dict[str, bytes]:
    return {
        str(path.relative_to(folder)): path.read_bytes()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


def test_the_folder_is_complete(written: Path) -> None:
    sets = {"dark_22c": 5, "dark_38c": 2, "flat_low": 4, "flat_middle": 4, "step_off": 4}
    sets |= {"duplex_wire": 1, "dot_grid": 1, "step_wedge": 1}
    frames = [
        f"{name}/{name}_{n:03d}.tif" for name, count in sets.items() for n in range(1, count + 1)
    ]
    truth = ["truth.json", "dots.csv", "bad_pixels.tif", "gain.tif", "dark.tif", "hot_pixels.tif"]
    assert set(files(written)) == {*frames, "calibrate.toml", *(f"truth/{one}" for one in truth)}
    for name in frames:
        image = tifffile.imread(written / name)
        assert image.dtype == np.uint16
        assert image.shape == TINY.shape


def test_the_same_seed_writes_the_same_bytes(written: Path, tmp_path: Path) -> None:
    write_panel(TINY, tmp_path / "again", seed=5, faults=tuple(Fault))
    assert files(tmp_path / "again") == files(written)


def test_the_config_names_every_set(written: Path) -> None:
    job = load_calibrate_config(written / "calibrate.toml")
    assert (job.panel.rows, job.panel.columns) == TINY.shape
    found = {one.folder.name: one for one in job.exposures}
    assert {one.name for one in written.iterdir() if one.is_dir()} == {*found, "truth"}
    assert found["dark_38c"].temperature_c == 38.0
    assert found["dark_22c"].frame_time_s == 2.0
    assert found["flat_middle"].dose == pytest.approx(3 * found["flat_low"].dose)
    assert found["dot_grid"].dot_spacing_mm == 3.0
    assert found["step_wedge"].thickness_mm == (2.0, 4.0, 6.0, 8.0)


def test_the_full_panels_config_loads(tmp_path: Path) -> None:
    (tmp_path / "calibrate.toml").write_text(panel_config(PanelPlan()))
    job = load_calibrate_config(tmp_path / "calibrate.toml")
    assert (job.panel.rows, job.panel.columns) == (1152, 1536)
    flats = {one.folder.name: one for one in job.exposures if one.kind == "flat"}
    # As bright from farther away: inverse square.
    far, near = flats["flat_far"], flats["flat_middle"]
    assert far.dose / near.dose == pytest.approx((1000 / 700) ** 2, rel=1e-5)
    assert far.source_distance_mm == 1000.0


def test_the_truth_is_all_there(written: Path) -> None:
    truth = json.loads((written / "truth" / "truth.json").read_text())
    classes = tifffile.imread(written / "truth" / "bad_pixels.tif")
    counts = dict(truth["panel"]["bad_pixels"])
    assert counts.pop("total") == np.count_nonzero(classes)
    assert counts == {kind.name: np.count_nonzero(classes & kind.value) for kind in PixelClass}
    hot = tifffile.imread(written / "truth" / "hot_pixels.tif")
    assert np.count_nonzero(hot) == truth["panel"]["hot_pixels"] > 0
    assert truth["lag"]["after_a_long_exposure"] == pytest.approx([0.0055, 0.0015])
    # 12² of the read-out and 0.9 · 20 GV of leakage.
    assert truth["noise"]["offset_gv2"] == pytest.approx(162.0)
    assert truth["noise"]["electrons_per_gv"] == pytest.approx(1 / 0.9)
    assert truth["dot_plate"]["roll_deg"] == 0.35
    with (written / "truth" / "dots.csv").open() as file:
        dots = list(csv.DictReader(file))
    assert len(dots) == len(TINY.dot_plate.dots(TINY.shape, TINY.pitch_mm))
    assert {"plate_x_mm", "plate_y_mm", "column", "row"} == set(dots[0])


def test_the_truth_tells_where_the_faults_are(written: Path) -> None:
    faults = json.loads((written / "truth" / "truth.json").read_text())["faults"]
    assert set(faults) == set(Fault)
    left = faults["object"]
    image = tifffile.imread(written / left["folder"] / left["file"]).astype(float)
    rows, columns = slice(*left["rows"]), slice(*left["columns"])
    beside = image[rows, columns.stop + 5 : columns.stop + 25]
    assert np.median(image[rows, columns]) < 0.6 * np.median(beside)
    light = faults["light_leak"]
    leaked = tifffile.imread(written / light["folder"] / light["file"])
    assert np.median(leaked[:, :10]) > np.median(leaked[:, -10:]) + 100
    assert len(faults["dust"]["specks"]) == 6
    assert faults["dust"]["folder"] == "flat_middle"
    assert (written / faults["afterglow"]["folder"]).is_dir()


def test_a_folder_that_exists_is_left_alone(written: Path) -> None:
    before = files(written)
    with pytest.raises(OutputError, match="already exists"):
        write_panel(TINY, written)
    assert files(written) == before


def test_an_interrupt_leaves_nothing(tmp_path: Path) -> None:
    def interrupt(what: str, done: int, total: int) -> None:
        if (what, done) == ("flat_low frames", 2):
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        write_panel(TINY, tmp_path / "panel", progress=interrupt)
    assert list(tmp_path.iterdir()) == []


# ---- the command --------------------------------------------------------------------------------


def test_simulate_panel_with_a_fault(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr("pipeline.simulation.panel_plan.PanelPlan", lambda: TINY)
    out = tmp_path / "panel"
    arguments = ["simulate", "panel", str(out), "--seed", "5", "--fault", "dust", "--quiet"]
    assert run(arguments) == 0
    text = capsys.readouterr().out
    assert f"exposures   {out}" in text
    assert "fault       dust: specks of dust" in text
    assert f"girthstrip calibrate {out / 'calibrate.toml'}" in text
    faults = json.loads((out / "truth" / "truth.json").read_text())["faults"]
    assert list(faults) == ["dust"]


def test_simulate_panel_for_programs(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr("pipeline.simulation.panel_plan.PanelPlan", lambda: TINY)
    out = tmp_path / "panel"
    assert run(["simulate", "panel", str(out), "--quiet", "--json"]) == 0
    record = json.loads(capsys.readouterr().out)
    assert record["preset"] == "panel"
    assert record["faults"] == []
    assert Path(record["calibrate_config"]).is_file()


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (["panel", "OUT", "--fault", "dist"], "there is no fault 'dist'; expected one of dust,"),
        (["small", "OUT", "--fault", "dust"], "--fault dust is for the preset panel"),
        (["panl", "OUT"], "Did you mean 'panel'?"),
    ],
)
def test_wrong_calls_are_told(
    arguments: list[str], message: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "out"
    call = ["simulate", *(str(out) if one == "OUT" else one for one in arguments)]
    assert run(call) == 2
    assert message in capsys.readouterr().err
    assert not out.exists()
