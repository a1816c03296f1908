"""How well image quality is read, and what the report of a 24-inch ring with six gauges takes.

Figures are asserted, but for seconds, which depend on the machine and its load.
"""

from __future__ import annotations

import statistics
import time

import numpy as np

from pipeline.config.weld import load_weld_config
from pipeline.io.strip import read_maps, read_strip
from pipeline.outputs.report.page import render_page
from pipeline.quality.gauges.duplex_iqi import DuplexCriteria, read_duplex
from pipeline.quality.noise.noise_measures import measure_noise
from pipeline.run import run_weld
from tests.benchmarks.conftest import Report, Run
from tests.calibration.duplex_shots import shot as duplex_shot
from tests.calibration.duplex_theory import DIAMETERS_MM, sr_b_mm
from tests.quality.gauges.test_duplex_iqi import behind_steel
from tests.quality.gauges.test_wire_iqi import near_the_criterion, read, snr_for
from tests.quality.noise.test_noise_measures import PLAN, SR_B_MM
from tests.quality.plain_welds import plain_weld

SIGMAS_MM = (0.046, 0.06, 0.08, 0.11, 0.16, 0.22)  # SR_b of 0.08 to 0.32 mm


def test_sharpness_by_a_duplex_gauge(table: Report) -> None:
    off = []
    for sigma_mm in SIGMAS_MM:
        truth = sr_b_mm(sigma_mm, 0.1, behind_steel)
        for seed in range(10):
            tilt = (-1) ** seed * (2.2 + 0.3 * seed)
            picture = duplex_shot(
                sigma_mm, tilt_deg=tilt, snr=100.0, seed=seed, passed=behind_steel
            )
            found = read_duplex(
                np.ascontiguousarray(picture.T) if seed % 2 else picture,
                pitch_mm=0.1,
                diameters_mm=DIAMETERS_MM,
                criteria=DuplexCriteria(),
            )
            assert found.sr_b_mm is not None, found.why_not
            off.append(found.sr_b_mm / truth - 1)
    rms, worst = float(np.sqrt(np.mean(np.square(off)))), float(np.abs(off).max())
    table.row(
        f"SR_b of 0.08 to 0.32 mm at SNR 100, {len(off)} readings",
        f"RMS {rms:.2%}, worst {worst:.2%}",
        "within 5 %",
    )
    assert worst <= 0.05


def test_noise_beside_a_weld(table: Report) -> None:
    off = []
    for seed in range(8):
        weld = plain_weld(seed=seed)
        found = measure_noise(weld.values, None, None, None, weld.grid, sr_b_mm=SR_B_MM, plan=PLAN)
        assert found.typical_snr_n is not None
        off.append(found.typical_snr_n / (weld.snr() * 0.088623 / SR_B_MM) - 1)
    table.row(
        f"SNR_N of {len(off)} strips against their quanta",
        f"mean {np.mean(off):+.2%}, worst {np.abs(off).max():.2%}",
        "within 3 %",
    )
    assert np.abs(off).max() <= 0.03


def test_wires_near_the_criterion(table: Report) -> None:
    """As tests/quality/gauges/test_wire_iqi.py has it, with three times the gauges."""
    rng, snr, gauges = np.random.default_rng(20), snr_for(14, 7.5), 600
    right = false = 0
    for _ in range(gauges):
        found = read(near_the_criterion(rng, snr))
        right += found.thinnest == 14
        false += found.wires[5].significance >= 5 if found.wires else 0
    table.row(
        f"W14 at 1.5 times the criterion seen, of {gauges}", f"{right / gauges:.1%}", "≥ 95 %"
    )
    table.row(f"W15, which isn't there, seen, of {gauges}", f"{false / gauges:.2%}", "≤ 2 %")
    assert right >= 0.95 * gauges
    assert false <= 0.02 * gauges


def test_the_report_of_a_ring_with_six_gauges(ring24: Run, table: Report) -> None:
    config = ring24.scan / "stitch_quality.toml"
    job = load_weld_config(config)
    log = run_weld(job).log
    assert len(job.iqi) == 6
    assert len({one.id.split(".")[1] for one in log.series if one.id.startswith("iqi.")}) == 6
    strip, _ = read_strip(job.output.folder / "strip.tif")
    maps = read_maps(job.output.folder / "maps.tif")
    seconds, page = [], ""
    for _ in range(3):
        begin = time.perf_counter()
        page = render_page(log, strip, maps.count, maps.origin)
        seconds.append(time.perf_counter() - begin)
    size_mb = len(page.encode()) / 1e6
    table.row("report of ring24 with six gauges", f"{size_mb:.2f} MB", "≤ 8 MB")
    table.row(
        "the same, made in",
        f"{statistics.median(seconds):.2f} s (first {seconds[0]:.2f} s)",
        "≤ 5 s",
    )
    assert size_mb <= 8
