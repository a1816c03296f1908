"""A calibration of 40 full-size exposures: its speed and memory, and what it reaches against truth.

Accuracy is asserted; speed is only printed, as it depends on the machine and its load.
"""

from __future__ import annotations

import json
import shutil
import statistics
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import tifffile

from tests.benchmarks.conftest import Report, Run

RUNS = """
import sys, time
from pathlib import Path
from pipeline.calibrate import run_calibrate
from pipeline.config.calibrate import load_calibrate_config
config, out = map(Path, sys.argv[1:])
for _ in range(3):
    begin = time.perf_counter()
    run_calibrate(load_calibrate_config(config), out, replace=True)
    print(time.perf_counter() - begin)
status = Path("/proc/self/status").read_text()
print(next(line.split()[1] for line in status.splitlines() if line.startswith("VmHWM")))
"""


def test_speed_and_memory_of_forty_exposures(ring24: Run, tmp_path: Path, table: Report) -> None:
    for name, count in (("dark", 20), ("flat_1", 10), ("flat_2", 10)):
        (tmp_path / name).mkdir()
        for path in sorted((ring24.scan / name).glob("*.tif"))[:count]:
            (tmp_path / name / path.name).symlink_to(path)
    config = shutil.copy(ring24.scan / "calibrate.toml", tmp_path)
    begin = time.perf_counter()
    done = subprocess.run(
        [sys.executable, "-c", RUNS, str(config), str(tmp_path / "c")],
        check=True,
        capture_output=True,
        text=True,
    )
    whole = time.perf_counter() - begin
    *seconds, peak_kb = done.stdout.split()
    again = statistics.median(float(one) for one in seconds[1:])
    table.row("calibrate, 40 exposures of 1536×1152, without start-up", f"{again:.2f} s", "≤ 10 s")
    table.row("calibrate, first run with start-up", f"{whole - 2 * again:.2f} s")
    table.row("calibrate, peak memory", f"{int(peak_kb) / 1024:.0f} MB")


def test_what_a_calibration_reaches(tmp_path: Path, table: Report) -> None:
    """All kinds of exposures of one simulated panel, against its truth."""
    for command in (["simulate", "panel", "panel"], ["calibrate", "panel/calibrate.toml"]):
        subprocess.run(
            [sys.executable, "-c", "from pipeline.cli import main; main()", *command, "--quiet"],
            check=True,
            capture_output=True,
            cwd=tmp_path,
        )
    folder, truth = tmp_path / "panel" / "calibration", tmp_path / "panel" / "truth"
    facts = json.loads((folder / "calibration.json").read_text())["facts"]
    told = json.loads((truth / "truth.json").read_text())
    figures = facts["acceptance"]
    good = tifffile.imread(folder / "badpixels.tif") == 0
    dark, gain = (tifffile.imread(folder / name, key=0) for name in ("dark.tif", "gain.tif"))

    ratio = figures["electrons_per_gv"] / told["noise"]["electrons_per_gv"]
    table.row("calibrate, electrons per gray value / true", f"{ratio:.4f}", "0.98 to 1.02")
    assert abs(ratio - 1) <= 0.02
    ratio = figures["read_noise_electrons"] / told["noise"]["read_noise_electrons"]
    table.row("calibrate, read noise / true", f"{ratio:.4f}")

    # The truth's noise without light: read noise and that of the dark current.
    limit = np.sqrt((told["noise"]["offset_gv2"] + 1 / 12) / figures["dark_frames"])
    ratio = _std((dark - tifffile.imread(truth / "dark.tif"))[good]) / limit
    table.row("calibrate, error of the dark / read-noise limit", f"{ratio:.3f}", "≤ 1.1")
    assert ratio <= 1.1
    error = (gain / tifffile.imread(truth / "gain.tif"))[good]
    ratio = _std(error / np.median(error)) / facts["noise"]["gain_relative"]
    table.row(
        "calibrate, error of the gain, beam taken out / photon limit", f"{ratio:.3f}", "≤ 1.1"
    )
    assert ratio <= 1.1

    worst = max(
        abs(found / true - 1)
        for found, true in zip(facts["lag_fractions"], told["lag"]["fractions"], strict=True)
    )
    table.row("calibrate, worst of four fractions of lag, error of itself", f"{worst:.2%}", "≤ 5 %")
    assert worst <= 0.05


def _std(values: np.ndarray) -> float:
    """Standard deviation that a few outliers don't move."""
    return float(1.4826 * np.median(np.abs(values - np.median(values))))
