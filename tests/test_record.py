"""What a run's quality log takes from the frame table and from the calibration."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path

import pytest

from pipeline.calibrate import run_calibrate
from pipeline.calibration.acceptance import remarks as calibration_remarks
from pipeline.config.calibrate import load_calibrate_config
from pipeline.config.weld import load_weld_config
from pipeline.io.calibration_store import read_calibration
from pipeline.io.frames import open_scan
from pipeline.quality.log import QualityLog
from pipeline.run import run_weld
from tests.weld_folder import WeldFolder


@pytest.fixture(scope="module")
def log(small_scan: Path, tmp_path_factory: pytest.TempPathFactory) -> QualityLog:
    out = tmp_path_factory.mktemp("record") / "out"
    return run_weld(load_weld_config(small_scan / "stitch.toml", {"output.folder": out})).log


def test_remarks_are_those_of_the_frames_and_of_the_calibration(
    small_weld: WeldFolder, small_scan: Path, tmp_path: Path
) -> None:
    for name in ("dark", "flat_1", "flat_2"):
        (tmp_path / name).mkdir()
        for path in sorted((small_scan / name).iterdir())[:10]:
            (tmp_path / name / path.name).symlink_to(path)
    exposures = load_calibrate_config(small_scan / "calibrate.toml", exposures_from=tmp_path)
    run_calibrate(exposures, small_weld.calibration, replace=True)
    head, *rows = small_weld.table()
    small_weld.write_table([head, *rows[::-1]])
    job = load_weld_config(small_weld.config)
    facts = read_calibration(small_weld.calibration).facts
    assert calibration_remarks(facts), "its darks are few"
    remarks = run_weld(job).log.remarks
    assert remarks[0] == "The table's positions fall from row to row."
    assert len(remarks) == len(open_scan(job).remarks) + len(calibration_remarks(facts))
    assert remarks[-1] == f"Calibration: {calibration_remarks(facts)[-1]}"
    assert all(remark.endswith(".") and remark[0].isupper() for remark in remarks)


def test_the_exposure_is_that_of_the_frames_in_the_strip(log: QualityLog, small_scan: Path) -> None:
    lines = (small_scan / "frames" / "frames.csv").read_text(encoding="utf-8").splitlines()
    head = lines[0].split(",")
    rows = [dict(zip(head, line.split(","), strict=True)) for line in lines[1:]]
    used = rows[2:]  # after ramp-up, which was at 96 and 136 kV
    assert (log.exposure.first_time, log.exposure.last_time) == (used[0]["time"], used[-1]["time"])
    assert log.exposure.kv_min == log.exposure.kv_max == 160.0
    assert log.exposure.ma_min == float(used[0]["ma"])
    assert log.exposure.exposure_s_max == float(used[0]["exposure_s"])


def test_a_table_that_tells_only_the_positions_leaves_the_exposure_open(
    small_weld: WeldFolder,
) -> None:
    small_weld.write_table([line[:3] for line in small_weld.table()])
    exposure = run_weld(load_weld_config(small_weld.config)).log.exposure
    assert set(asdict(exposure).values()) == {None}


def test_every_seam_tells_where_the_strips_frames_lie_furthest_apart(log: QualityLog) -> None:
    check = next(check for check in log.checks if check.id == "seam.disagreement")
    assert check.value == max(seam.disagreement or 0 for seam in log.seams)
    once = log.strip.circumference_mm
    for seam in log.seams:
        # Noise alone is 1; a cell of the largest of 30 seams, and edges of lead a little off.
        assert seam.disagreement is not None and 0.9 < seam.disagreement < 2
        assert seam.disagreement_s_mm is not None and seam.disagreement_z_mm is not None
        away = (seam.disagreement_s_mm - seam.s_mm + once / 2) % once - once / 2
        # Nearer than half a step of 12 mm, and some for its jitter.
        assert abs(away) < 8
        assert 0 <= seam.disagreement_z_mm - log.strip.z_first_mm < log.strip.rows * 0.1


def test_the_encoders_scale_is_near_one(log: QualityLog) -> None:
    assert "encoder_scale" in log.geometry.refined
    # The simulated encoder is off by less than the prior's 1 %, and by more than nothing.
    assert 0 < abs(log.geometry.encoder_scale - 1) < 0.01
