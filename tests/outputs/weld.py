"""An invented finished weld folder, small enough to write in a few milliseconds."""

from __future__ import annotations

import math
from dataclasses import asdict, replace
from pathlib import Path

import numpy as np

from pipeline.io.positions import PositionRow, write_positions
from pipeline.io.strip import write_maps, write_strip
from pipeline.model import Origin
from pipeline.quality.log import (
    CalibrationUsed,
    ExposureFacts,
    FrameRecord,
    Gap,
    GeometryFacts,
    InputFile,
    QualityLog,
    Seam,
    StripFacts,
    WeldFacts,
    at_least,
    at_most,
    report_only,
)

ROWS, PITCH_MM, DIAMETER_MM = 40, 0.5, 168.3
CIRCUMFERENCE_MM = math.pi * DIAMETER_MM
COLUMNS = round(CIRCUMFERENCE_MM / PITCH_MM) + 50
FRAMES = 8
GAP = Gap(300.0, 306.0)


def make_log() -> QualityLog:
    """A whole ring of eight frames and one left out, with one check of each outcome."""
    step_mm = CIRCUMFERENCE_MM / FRAMES
    left_out = FrameRecord(
        "f0.tif", 0, False, "tube <still> ramping up", -9.0, None, None, None, None
    )
    used = tuple(
        FrameRecord(
            f"f{k + 1}.tif",
            0,
            True,
            "",
            k * step_mm,
            k * step_mm + 0.01 * k,
            0.004,
            0.1,
            1 + 0.01 * k,
        )
        for k in range(FRAMES)
    )
    seams = tuple(
        Seam((k + 0.5) * step_mm, k + 1, (k + 1) % FRAMES + 1, 0.001 * (k - 3), 1.1, 0.02, 31.0)
        for k in range(FRAMES)
    )
    checks = (
        report_only("acquisition.frames_used", 8, stage="read", unit="frames", basis="config"),
        at_most(
            "registration.closure_mm", 0.01, 0.2, stage="registration", unit="mm", basis="config"
        ),
        at_most("seam.level_step", 0.004, 0.003, stage="blending", unit="", basis="config"),
        at_most("coverage.gap_mm", 6.0, 0, stage="blending", unit="mm", basis="config"),
        at_least("noise.snr_n", None, 70, stage="noise", unit="", basis="a table, from memory"),
    )
    return QualityLog(
        weld=WeldFacts(
            "W-1 <script>alert('1')</script>", "Line & 1", "KP 1", "P-1", "carbon steel",
            DIAMETER_MM, 8.0, "A. Example", "B. Example",
        ),
        exposure=ExposureFacts(
            "2026-03-02T06:30:12+00:00", "2026-03-02T06:33:06+00:00", 158.0, 160.0, 3.0, 3.0, 2.0,
            2.0,
        ),
        checks=checks,
        remarks=("Odd <but> allowed.", "Calibration: few darks."),
        strip=StripFacts(
            ROWS, COLUMNS, PITCH_MM, 0.0, -9.75, CIRCUMFERENCE_MM, True, 25.0, "clockwise",
            1.0, 0.0, 0.1,
        ),
        geometry=GeometryFacts(
            1.0, 0.1, -2.0, 0.1, 0.1, 0.01, 0.02, 0.002, -0.03, 0.003,
            10.2, 10.0, 0.03, 0.04, (0.0, 1.0), "panoramic", 1.0012,
            ("source_x_mm", "source_y_mm", "standoff_mm", "lift_off_mm", "wind"), ("wind",),
        ),
        frames=(left_out, *used),
        seams=seams,
        gaps=(GAP,),
        inputs=(InputFile("frames/f0.tif", "0" * 64), InputFile("frames.csv", "ab" * 32)),
        calibration=CalibrationUsed(
            "cd" * 32, "SN-1", "high", None, None, {"total": 4, "dead": 3, "noisy": 2}
        ),
        software={"version": "0.1.0", "numpy": "2.4", "name": "girthstrip"},
    )  # fmt: skip


def make_arrays() -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Strip, count and origin of ``make_log``: a light band on noise, and the gap."""
    rng = np.random.default_rng(1)
    strip = rng.normal(10_000, 100, (ROWS, COLUMNS))
    strip[15:25] -= 3_000
    count = np.full((ROWS, COLUMNS), 3, np.uint8)
    origin = np.full((ROWS, COLUMNS), Origin.MEASURED, np.uint8)
    gap = slice(round(GAP.from_mm / PITCH_MM), round(GAP.to_mm / PITCH_MM))
    for array, value in ((strip, 0), (count, 0), (origin, Origin.NOT_COVERED)):
        array[:, gap] = value
    count[3, 100], origin[3, 100] = 0, Origin.FILLED
    return strip.astype(np.uint16), count, origin


def write_folder(folder: Path, log: QualityLog | None = None) -> Path:
    """The four files that a report is made from."""
    log = log or make_log()
    strip, count, origin = make_arrays()
    folder.mkdir()
    write_strip(folder / "strip.tif", strip, pitch_mm=PITCH_MM, metadata={})
    write_maps(
        folder / "maps.tif",
        count=count,
        origin=origin,
        sigma=np.ones_like(strip),
        pitch_mm=PITCH_MM,
        metadata={"sigma_scale": 0.1},
    )
    write_positions(folder / "positions.csv", [PositionRow(**asdict(f)) for f in log.frames])
    (folder / "quality.json").write_text(log.to_json(), encoding="utf-8")
    return folder


def with_checks(log: QualityLog, *ids: str) -> QualityLog:
    """The log with only the checks of these ids."""
    return replace(log, checks=tuple(check for check in log.checks if check.id in ids))
