"""What the first way through must reach, at full size, beside the machine's limit.

Accuracy is asserted; speed is only printed, as it depends on the machine and its load.
"""

from __future__ import annotations

import statistics

import numpy as np

from tests.accuracy import (
    column_shifts_px,
    compare,
    ideal_noise_ratio,
    load,
    noise_ratio,
    ruler_error_mm,
    seam_steps,
)
from tests.benchmarks.conftest import Report, Run
from tests.benchmarks.limit import limit_seconds


def _rms(values: np.ndarray) -> float:
    return float(np.sqrt(np.mean(np.square(values))))


def test_accuracy_of_ring24(ring24: Run, table: Report) -> None:
    solved = load(ring24.scan, ring24.result)
    compared = compare(ring24.scan, ring24.result, solved)

    error_px = solved.position_error_mm / solved.pitch_mm
    table.row("ring24 position error, RMS", f"{_rms(error_px):.4f} px", "≤ 0.10 px")
    table.row("ring24 position error, worst", f"{np.abs(error_px).max():.4f} px", "≤ 0.3 px")
    assert _rms(error_px) <= 0.10
    assert np.abs(error_px).max() <= 0.3

    ruler = ruler_error_mm(solved)
    table.row("ring24 ruler, 50 points, RMS", f"{_rms(ruler):.5f} mm", "≤ 0.02 mm")
    table.row("ring24 ruler, worst", f"{np.abs(ruler).max():.5f} mm", "≤ 0.06 mm")
    assert _rms(ruler) <= 0.02
    assert np.abs(ruler).max() <= 0.06

    checks = {check["id"]: check["value"] for check in solved.quality["checks"]}
    closure = checks["registration.closure_mm"]
    table.row("ring24 closure, not used as a constraint", f"{closure:.4f} mm", "≤ 0.2 mm")
    assert closure <= 0.2

    step = float(np.abs(seam_steps(compared, solved)).max())
    table.row("ring24 largest gray step at a seam", f"{step:.3%}", "≤ 0.3 %")
    assert step <= 0.003

    ideal = ideal_noise_ratio(compared, ring24.scan / "calibration")
    table.row("ring24 noise in the strip / ideal", f"{ideal:.3f}", "0.95 to 1.05")
    table.row(
        "ring24 noise in the strip / predicted", f"{noise_ratio(compared):.3f}", "0.95 to 1.05"
    )
    assert 0.95 <= ideal <= 1.05
    assert 0.95 <= noise_ratio(compared) <= 1.05

    shifts = column_shifts_px(compared)
    wrong = int(np.sum(~(np.abs(shifts) < 0.5)))
    table.row(
        "ring24 pieces of strip shifted, doubled or missing",
        f"{wrong} of {len(shifts)} (largest shift {np.nanmax(np.abs(shifts)):.2f} px)",
        "0",
    )
    assert wrong == 0


def test_speed_and_memory(ring24: Run, continuous24: Run, table: Report) -> None:
    for name, run in (("ring24", ring24), ("continuous24", continuous24)):
        seconds = statistics.median(run.seconds[1:])
        files = sorted((run.scan / "frames").glob("*.tif"))
        pixels = run.raw_pixels // len(files)
        limit = statistics.median(limit_seconds(files, pixels, 2) for _ in range(3))
        table.row(
            f"{name} stitch, {run.raw_pixels / 1e6:.0f} Mpx raw, without start-up",
            f"{run.raw_pixels / seconds / 1e6:.1f} Mpx/s ({seconds:.2f} s; "
            f"{limit / seconds:.3f} of the limit, {run.raw_pixels / limit / 1e6:.0f} Mpx/s)",
            "≥ 40 Mpx/s" if name == "ring24" else "",
        )
        stages = ", ".join(f"{stage} {value:.2f}" for stage, value in run.stages.items())
        table.row(f"{name} seconds by stage", stages)
        table.row(f"{name} first run, with start-up", f"{run.seconds[0]:.2f} s")
        table.row(f"{name} peak memory", f"{run.peak_bytes / 1e6:.0f} MB")
    ratio = continuous24.peak_bytes / ring24.peak_bytes
    table.row("peak memory, continuous24 / ring24", f"{ratio:.2f}", "≤ 1.3")
    assert ratio <= 1.3


def test_accuracy_of_continuous24(continuous24: Run, table: Report) -> None:
    solved = load(continuous24.scan, continuous24.result)
    error_px = solved.position_error_mm / solved.pitch_mm
    table.row("continuous24 position error, RMS", f"{_rms(error_px):.4f} px")
    table.row("continuous24 position error, worst", f"{np.abs(error_px).max():.4f} px")
    assert _rms(error_px) <= 0.10
    assert np.abs(error_px).max() <= 0.3
