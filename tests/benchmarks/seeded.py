"""One preset simulated again and again with other random numbers, stitched, held against truth.

All seeds share one panel, so that one calibration serves them; weld, indications, carriage and
noise are drawn anew.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from unittest.mock import patch

import numpy as np

from pipeline.calibrate import run_calibrate
from pipeline.config.calibrate import load_calibrate_config
from pipeline.config.weld import load_weld_config
from pipeline.config.weld_sections import Geometry
from pipeline.io.calibration_store import read_calibration
from pipeline.run import run_weld
from pipeline.simulation import scan as simulated
from pipeline.simulation.detector import Detector, DetectorPlan, make_detector
from pipeline.simulation.presets import get_preset
from pipeline.simulation.write import write_scan
from pipeline.stages.distortion import Distortion
from pipeline.stages.unknowns import LIFT, SCALE, SHARED, Priors
from tests.accuracy import (
    Compared,
    Solved,
    compare,
    load,
    noise_by_count,
    noise_ratio,
    ruler_error_mm,
    seam_steps,
    true_view,
)
from tests.benchmarks.position_bound import geometry_moves, position_bound_px

PANEL_SEED = (1, 4)
_LIFT_SIGMA_MM = 1.0  # as the config of `hard24` tells


@dataclass(frozen=True)
class Figures:
    """What one seed gave; lengths in the unit of the name. ``bounds_px`` as from `bounds_px`,
    ``noise_in_overlaps`` the least and the largest ratio for any number of frames in a pixel."""

    position_rms_px: float
    position_worst_px: float
    bounds_px: tuple[float, float]
    ruler_rms_mm: float
    standoff_error_mm: float
    source_error_mm: float
    roll_error_deg: float
    tilt_error_deg: float
    closure_mm: float
    seam_step: float
    noise_over_predicted: float
    noise_in_overlaps: tuple[float, float]
    verdict: str


def _one_panel(rows: int, columns: int, plan: DetectorPlan, _: np.random.Generator) -> Detector:
    return make_detector(rows, columns, plan, np.random.default_rng(PANEL_SEED))


def calibrated(preset_name: str, root: Path) -> Path:
    """A calibration of the panel that all seeds of a preset share."""
    with patch.object(simulated, "make_detector", _one_panel):
        scan = write_scan(get_preset(preset_name), root / "panel", seed=1)
    folder = root / "calibration"
    run_calibrate(load_calibrate_config(scan / "calibrate.toml"), folder)
    return folder


def one_seed(
    preset_name: str, seed: int, calibration: Path, root: Path, drop: Callable[[Path], None]
) -> Figures:
    """Simulate, stitch and measure one seed; ``drop`` removes its folders again."""
    bare = replace(get_preset(preset_name), dark_frames=0, flat_doses_gv=())
    with patch.object(simulated, "make_detector", _one_panel):
        scan = write_scan(bare, root / f"{preset_name}_{seed}", seed=seed)
    result = root / f"{preset_name}_{seed}_result"
    job = load_weld_config(
        scan / "stitch.toml", {"output.folder": result, "calibration.folder": calibration}
    )
    run_weld(job)
    solved = load(scan, result)
    compared = compare(scan, result, solved)
    figures = _figures(solved, compared, calibration)
    drop(scan)
    drop(result)
    return figures


def _figures(solved: Solved, compared: Compared, calibration: Path) -> Figures:
    error_px = solved.position_error_mm / solved.pitch_mm
    checks = {check["id"]: check["value"] for check in solved.quality["checks"]}
    found, told = solved.quality["geometry"], solved.truth["geometry"]
    overlaps = noise_by_count(compared)
    return Figures(
        position_rms_px=_rms(error_px),
        position_worst_px=float(np.abs(error_px).max()),
        bounds_px=bounds_px(solved, compared, calibration),
        ruler_rms_mm=_rms(ruler_error_mm(solved)),
        standoff_error_mm=found["standoff_mm"] - told["standoff_mm"],
        source_error_mm=math.hypot(
            *(found[name] - told[name] for name in ("source_x_mm", "source_y_mm"))
        ),
        roll_error_deg=found["roll_deg"] - told["roll_deg"],
        tilt_error_deg=max((found[n] - told[n] for n in ("yaw_deg", "pitch_deg")), key=abs),
        closure_mm=checks["registration.closure_mm"],
        seam_step=float(np.abs(seam_steps(compared, solved)).max()),
        noise_over_predicted=noise_ratio(compared),
        noise_in_overlaps=(float(overlaps.min()), float(overlaps.max())),
        verdict=solved.quality["verdict"],
    )


def bounds_px(solved: Solved, compared: Compared, calibration: Path) -> tuple[float, float]:
    """The least RMS of the positions along the scan that the photons of this ring allow: where it
    is known that the carriage doesn't lift off, and where that is as uncertain as `hard24` tells.

    From the metal alone: gauges and lead marks, whose edges tell more than all the rest together,
    are left out, as they may slip. The source's place, the roll and the stand-off are unknown.
    """
    geometry, panel = true_view(solved)
    noise = read_calibration(calibration).facts.noise
    level = compared.plain_gv * compared.truth
    # A strip pixel holds (panel distance / radius)² raw pixels, each with its own noise.
    finer = (geometry.panel_distance_mm / geometry.radius_mm) ** 2
    variance = (noise.offset + noise.slope * level) / compared.plain_gv**2 / finer
    z_first = solved.quality["strip"]["z_first_mm"]
    variance[_foreign(solved, compared, z_first)] = np.inf
    low, high = Distortion().reach_mm(geometry, panel)
    at, pitch = solved.true_position_mm, compared.pitch_mm
    unknown = [k for k in range(SHARED) if k != SCALE]
    moves = geometry_moves(
        geometry, panel, unknown, at, solved.true_axial_mm, compared.truth.shape, pitch, z_first
    )
    config = Geometry(standoff_mm=geometry.standoff_mm)
    sigmas = Priors(
        step_sigma_mm=0,
        encoder_scale_sigma=0,
        axial_sigma_mm=0,
        source_sigma_mm=config.source_offset_sigma_mm,
        roll_sigma_rad=math.radians(config.roll_sigma_deg),
        standoff_sigma_mm=config.standoff_sigma_mm,
        lift_sigma_mm=_LIFT_SIGMA_MM,
        yaw_sigma_rad=math.radians(config.yaw_sigma_deg),
        pitch_sigma_rad=math.radians(config.pitch_sigma_deg),
    ).shared_sigmas()[unknown]
    steady = [k for k, number in enumerate(unknown) if number < LIFT.start]
    first, last = (at + low) / pitch, (at + high) / pitch
    with_lift, without = (
        position_bound_px(compared.truth, variance, first, last, moves[..., some], sigmas[some])
        for some in (range(len(unknown)), steady)
    )
    return _rms(without[:, 0]), _rms(with_lift[:, 0])


def _foreign(solved: Solved, compared: Compared, z_first_mm: float) -> np.ndarray:
    """Where lead marks and gauges lie, with 1 mm around them."""
    rows, columns = compared.truth.shape
    covered = np.zeros((rows, columns), dtype=bool)
    for item in solved.truth["marks"] + solved.truth["gauges"]:
        upright = item["kind"] in ("wire", "duplex")
        along, across = item["length_mm"], item["width_mm"]
        if upright:
            along, across = 4 * across, along
        s = np.arange(
            round((item["s_mm"] - along / 2 - 1) / compared.pitch_mm),
            round((item["s_mm"] + along / 2 + 1) / compared.pitch_mm) + 1,
        )
        z = (item["z_mm"] + np.array([-1, 1]) * (across / 2 + 1) - z_first_mm) / compared.pitch_mm
        top, bottom = (int(n) for n in np.clip(np.rint(z), 0, rows))
        covered[top:bottom, s % columns] = True
    return covered


def _rms(values: np.ndarray) -> float:
    return float(np.sqrt(np.mean(np.square(values))))
