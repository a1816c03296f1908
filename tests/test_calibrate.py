"""One calibration end to end: from exposures on disk to the calibration folder."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import tifffile

from pipeline.calibrate import run_calibrate
from pipeline.config.calibrate import CalibrateJob, load_calibrate_config
from pipeline.errors import CalibrationError, FrameError, OutputError
from pipeline.io.calibration_store import read_calibration
from pipeline.io.digest import sha256_file

ROWS, COLUMNS = 32, 48
FLATS = 6
GAIN = 1 + 0.1 * np.sin(np.arange(COLUMNS) / 5.0) * np.ones((ROWS, 1))

CONFIG = f"""\
[panel]
rows = {ROWS}
columns = {COLUMNS}
pitch_mm = 0.1
serial = "P-1"
gain_mode = "low"

[calibration]
kv_max = 200
lag_fractions = [0.02]

[bad_pixels]
neighbourhood_px = 9

[[exposures]]
kind = "dark"
folder = "dark"

[[exposures]]
kind = "flat"
folder = "flat"
dose = 2
"""


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Six darks (300 ± 4 GV) and six flats (10000 GV × gain, SNR 100), and their config."""
    random = np.random.default_rng(5)
    for name, level, sigma in (("dark", 0.0, 4.0), ("flat", 10000.0, 100.0)):
        (tmp_path / name).mkdir()
        for number in range(FLATS):
            image = 300 + level * GAIN + random.normal(0, sigma, (ROWS, COLUMNS))
            path = tmp_path / name / f"{number}.tif"
            tifffile.imwrite(path, np.round(image).astype(np.uint16), metadata=None)
    (tmp_path / "calibration.toml").write_text(CONFIG, encoding="utf-8")
    return tmp_path


def job_of(folder: Path) -> CalibrateJob:
    return load_calibrate_config(folder / "calibration.toml")


def test_what_is_written_is_what_was_built(folder: Path) -> None:
    told: list[tuple[str, int, int]] = []
    made = run_calibrate(job_of(folder), progress=lambda *step: told.append(step))

    stored = read_calibration(folder / "calibration")
    assert stored.identity == made.identity
    facts = stored.facts
    assert (facts.serial, facts.gain_mode, facts.kv_max) == ("P-1", "low", 200.0)
    assert facts.lag_fractions == (0.02,)
    # The mean of six flats of SNR 100 is right to 0.4 %; 6 sigma over 1536 pixels are 2.5 %.
    assert np.allclose(stored.gain, GAIN / np.median(GAIN), atol=0.03)
    assert np.median(stored.dark) == pytest.approx(300, abs=0.5)
    steps = dict.fromkeys(what for what, _, _ in told)
    size_mb = sum(path.stat().st_size for path in folder.glob("*/?.tif")) / 1e6
    assert list(steps) == [
        f"calibrating, headers of the exposures (12 frames, {size_mb:.1f} MB to read)",
        "fingerprints of the exposures",
        "reading exposures",
    ]
    assert all(done <= total for _, done, total in told)
    assert told[-1][1] == told[-1][2]


def test_the_exposures_stand_in_the_facts_with_their_digests(folder: Path) -> None:
    made = run_calibrate(job_of(folder))
    dark, flat = made.facts.exposures
    assert (dark["kind"], dark["dose"], dark["folder"]) == ("dark", None, "dark")
    assert (flat["kind"], flat["dose"], flat["folder"]) == ("flat", 2.0, "flat")
    assert flat["files"] == [
        {"name": f"{number}.tif", "sha256": sha256_file(folder / "flat" / f"{number}.tif")}
        for number in range(FLATS)
    ]


def test_the_same_exposures_elsewhere_give_the_same_calibration(
    folder: Path, tmp_path_factory: pytest.TempPathFactory
) -> None:
    made = run_calibrate(job_of(folder))
    moved = tmp_path_factory.mktemp("other") / "place"
    folder.rename(moved)
    again = run_calibrate(job_of(moved), moved / "again")
    assert again.identity == made.identity


def test_an_older_calibration_is_replaced_only_when_asked(folder: Path) -> None:
    job = job_of(folder)
    run_calibrate(job)
    before = (folder / "calibration" / "gain.tif").read_bytes()
    told: list[str] = []
    with pytest.raises(OutputError, match="calibration: already exists"):
        run_calibrate(job, progress=lambda what, *_: told.append(what))
    assert told == []  # refused before any work
    run_calibrate(job, replace=True)
    assert (folder / "calibration" / "gain.tif").read_bytes() == before


def test_faults_leave_no_folder(folder: Path) -> None:
    job = job_of(folder)
    wrong = folder / "flat" / "wrong.tif"
    tifffile.imwrite(wrong, np.zeros((ROWS, COLUMNS - 1), np.uint16), metadata=None)
    with pytest.raises(FrameError, match=r"wrong\.tif.*32 rows × 47 columns"):
        run_calibrate(job)
    for path in (folder / "flat").iterdir():
        path.unlink()
    with pytest.raises(FrameError, match="holds no frames"):
        run_calibrate(job)
    for number in range(2):
        image = np.full((ROWS, COLUMNS), 300, np.uint16)
        tifffile.imwrite(folder / "flat" / f"{number}.tif", image, metadata=None)
    with pytest.raises(CalibrationError):
        run_calibrate(job)
    assert not (folder / "calibration").exists()


def test_frames_left_out_are_named_by_folder_and_file(folder: Path) -> None:
    leak = tifffile.imread(folder / "dark" / "4.tif")
    tifffile.imwrite(folder / "dark" / "4.tif", leak + np.uint16(60), metadata=None)
    made = run_calibrate(job_of(folder))
    (rejected,) = made.facts.rejected
    assert rejected["file"] == "dark/4.tif"
    assert rejected["reason"].startswith("light_leak: up to ")
    assert read_calibration(folder / "calibration").facts.rejected == made.facts.rejected
    # Still among the files that were read, with its digest.
    assert len(made.facts.exposures[0]["files"]) == FLATS  # type: ignore[arg-type]


def test_all_kinds_of_sets_reach_the_builder(folder: Path) -> None:
    random = np.random.default_rng(6)

    def shoot(name: str, levels: list[float]) -> None:
        (folder / name).mkdir()
        for number, level in enumerate(levels):
            image = 300 + level * GAIN + random.normal(0, 4 + level / 100, (ROWS, COLUMNS))
            path = folder / name / f"{number:02}.tif"
            tifffile.imwrite(path, np.round(image).astype(np.uint16), metadata=None)

    shoot("warm", [40 / GAIN.mean()] * 4)
    shoot("step", [1e4] * 4 + [400.0, 100.0] + [0.0] * 10)
    text = CONFIG.replace("lag_fractions = [0.02]", "source_distance_mm = 700")
    text = text.replace('folder = "dark"', 'folder = "dark"\ntemperature_c = 20')
    text += """
[[exposures]]
kind = "dark"
folder = "warm"
temperature_c = 30

[[exposures]]
kind = "step_off"
folder = "step"

[gain]
separate_beam = true
"""
    (folder / "calibration.toml").write_text(text, encoding="utf-8")
    facts = run_calibrate(job_of(folder)).facts
    stored = read_calibration(folder / "calibration")
    assert [one.temperature_c for one in (facts.dark_conditions, *facts.dark_states)] == [20, 30]
    assert np.median(stored.dark_states[0] - stored.dark) == pytest.approx(40, abs=2)
    # 10000 shown is an exposure of 10000/1.04; 96 noisy pixels a cell: 1 GV and 10 of 1e4.
    assert facts.lag_fractions == pytest.approx((0.0312, 0.0104), rel=0.1)
    assert facts.beam is not None and facts.beam["source_distance_mm"] == 700
    assert facts.exposures[0]["temperature_c"] == 20
    kinds = [one["kind"] for one in facts.exposures]
    assert kinds == ["dark", "flat", "dark", "step_off"]
