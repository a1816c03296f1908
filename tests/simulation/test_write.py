from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
import tifffile

from pipeline.config.calibrate import load_calibrate_config
from pipeline.config.weld import load_weld_config
from pipeline.errors import OutputError
from pipeline.io.frame_table import read_frame_table
from pipeline.io.job_sheet import read_job_sheet
from pipeline.model import PixelClass
from pipeline.simulation.presets import PRESETS, Preset, get_preset
from pipeline.simulation.scan_configs import calibrate_text, stitch_text
from pipeline.simulation.write import write_scan


@pytest.fixture(scope="module")
def written(short_preset: Preset, tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("simulated") / "scan"
    assert write_scan(short_preset, out, seed=7) == out
    return out


def _files(folder: Path) -> dict[str, bytes]:
    return {
        str(path.relative_to(folder)): path.read_bytes()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


def test_the_folder_is_complete(written: Path) -> None:
    frames = [f"frames/frame_{number:04d}.tif" for number in range(1, 7)]
    darks = [f"dark/dark_{number:03d}.tif" for number in range(1, 4)]
    flats = [f"flat_{level}/flat_{n:03d}.tif" for level in (1, 2) for n in (1, 2)]
    others = ["job.csv", "calibrate.toml", "stitch.toml", "stitch_quality.toml"]
    others.append("frames/frames.csv")
    truth = ["truth/truth.json", "truth/bad_pixels.tif", "truth/strip.tif"]
    assert set(_files(written)) == {*frames, *darks, *flats, *others, *truth}
    for name in (*frames, *darks, *flats):
        with tifffile.TiffFile(written / name) as file:
            (page,) = file.pages
            assert page.dtype == np.uint16
            assert page.shape == (320, 384)
            assert page.is_contiguous


def test_the_same_seed_writes_the_same_bytes(
    written: Path, short_preset: Preset, tmp_path: Path
) -> None:
    write_scan(short_preset, tmp_path / "again", seed=7)
    assert _files(tmp_path / "again") == _files(written)


def test_the_frame_table_holds_the_encoder_and_not_the_truth(written: Path) -> None:
    rows = read_frame_table(written / "frames" / "frames.csv", written / "frames")
    truth = json.loads((written / "truth" / "truth.json").read_text())
    assert [row.file for row in rows] == [frame["file"] for frame in truth["frames"]]
    for row, frame in zip(rows, truth["frames"], strict=True):
        assert row.position_mm == pytest.approx(frame["encoder_mm"], abs=0.00051)  # three decimals
        assert row.kv == pytest.approx(frame["kv"], abs=0.51)
    assert rows[0].kv < rows[1].kv < rows[2].kv == 160
    assert rows[-1].position_mm != truth["frames"][-1]["position_mm"]


def test_the_truth_is_all_there(written: Path) -> None:
    truth = json.loads((written / "truth" / "truth.json").read_text())
    strip = tifffile.imread(written / "truth" / "strip.tif")
    assert strip.dtype == np.float32
    assert strip.shape == (truth["strip"]["rows"], truth["strip"]["columns"])
    circumference = truth["geometry"]["circumference_mm"]
    assert truth["strip"]["columns"] == round(circumference / 0.1)
    assert truth["strip"]["pitch_mm"] * truth["strip"]["columns"] == pytest.approx(circumference)
    beside_the_cap = round((-5.8 - truth["strip"]["z_first_mm"]) / truth["strip"]["pitch_mm"])
    # Plate: rays there slope by 10 %, 0.5 % more steel; the wall drifts by some 0.05 mm; µ of a
    # soft beam behind 6 mm is 0.2/mm: 0.6 % and some 1 %.
    assert np.median(strip[beside_the_cap]) == pytest.approx(1.0, abs=0.03)
    classes = tifffile.imread(written / "truth" / "bad_pixels.tif")
    counts = truth["panel"]["bad_pixels"]
    assert counts.pop("total") == np.count_nonzero(classes)
    assert counts == {kind.name: np.count_nonzero(classes & kind.value) for kind in PixelClass}
    assert {"pore", "slag_line", "crack_like"} <= {i["kind"] for i in truth["indications"]}
    assert {"s_mm", "z_mm", "length_mm", "width_mm", "depth_mm"} <= set(truth["indications"][0])
    assert truth["geometry"]["roll_deg"] == pytest.approx(0.1)


@pytest.mark.parametrize("name", PRESETS)
def test_configs_say_what_is_known_on_site(name: str, tmp_path: Path) -> None:
    preset = get_preset(name)
    stitch, calibrate = tmp_path / "stitch.toml", tmp_path / "calibrate.toml"
    stitch.write_text(stitch_text(preset))
    calibrate.write_text(calibrate_text(preset))
    job = load_weld_config(stitch)
    assert job.weld.id == preset.weld_id
    assert job.geometry.source_offset_mm == (0.0, 0.0)
    assert job.geometry.roll_deg == 0.0
    assert job.scan.ring == preset.ring
    assert job.frames.folder == tmp_path / "frames"
    flats = [e for e in load_calibrate_config(calibrate).exposures if e.kind == "flat"]
    assert [flat.folder.name for flat in flats] == ["flat_1", "flat_2"]
    assert flats[1].dose / flats[0].dose == pytest.approx(
        preset.flat_doses_gv[1] / preset.flat_doses_gv[0]
    )


def test_the_job_sheet_has_the_weld(written: Path, short_preset: Preset) -> None:
    sheet = read_job_sheet(written / "job.csv", short_preset.weld_id)
    assert sheet["diameter_mm"] == "114.3"
    assert sheet["direction"] == "clockwise"


def test_a_folder_that_exists_is_left_alone(written: Path, short_preset: Preset) -> None:
    before = _files(written)
    with pytest.raises(OutputError, match="already exists"):
        write_scan(short_preset, written, seed=9)
    assert _files(written) == before


def test_an_interrupt_leaves_nothing(short_preset: Preset, tmp_path: Path) -> None:
    def interrupt(what: str, done: int, total: int) -> None:
        if (what, done) == ("flat frames", 1):
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        write_scan(short_preset, tmp_path / "scan", seed=7, progress=interrupt)
    assert list(tmp_path.iterdir()) == []


def test_progress_counts_to_the_end(short_preset: Preset, tmp_path: Path) -> None:
    seen: list[tuple[str, int, int]] = []
    write_scan(short_preset, tmp_path / "scan", seed=7, progress=lambda *step: seen.append(step))
    assert seen[:6] == [("frames", number, 6) for number in range(1, 7)]
    assert seen[-1] == ("truth", 1, 1)
    assert [step for step in seen if step[1] == step[2]] == [
        ("frames", 6, 6),
        ("dark frames", 3, 3),
        ("flat frames", 2, 2),
        ("flat frames", 2, 2),
        ("truth", 1, 1),
    ]
