"""How well a scan's ties tell the panel's tilts from all else that they tell.

``python -m tests.benchmarks.tilts SCAN [PART]``: SCAN was simulated and calibrated; PART of its
frames (default: all). *Yaw* turns the panel about the line through its centre along the pipe,
*pitch* about the line along the scan. For each shared unknown its standard deviation and what looks
most like it; and what tilts of 0.1° would spoil, were they held at 0.
"""

from __future__ import annotations

import math
import sys
import tempfile
from dataclasses import replace
from pathlib import Path
from typing import Any
from unittest.mock import patch

import numpy as np

from pipeline.config.weld import load_weld_config
from pipeline.geometry import pixel_to_surface, surface_to_pixel
from pipeline.run import run_weld
from pipeline.stages import registration
from pipeline.stages.adjustment import adjust
from pipeline.stages.least_squares import Problem
from pipeline.stages.matching import Ties
from pipeline.stages.unknowns import LIFT, NAMES, PITCH, ROLL, SCALE, YAW

TRIED_RAD = math.radians(0.1)


def told(scan_folder: Path, part: float) -> dict[str, Any]:
    """The arguments of the scan's adjustment, registered as always; of its first frames only."""
    seen: dict[str, Any] = {}

    def spy(ties: Ties, encoder: Any, geometry: Any, panel: Any, priors: Any, **rest: Any) -> Any:
        seen.update(ties=ties, encoder_mm=encoder, geometry=geometry, panel=panel, priors=priors)
        seen.update(rest)
        return adjust(ties, encoder, geometry, panel, priors, **rest)

    with tempfile.TemporaryDirectory() as work, patch.object(registration, "adjust", spy):
        out = {"output.folder": Path(work) / "result"}
        run_weld(load_weld_config(scan_folder / "stitch.toml", out))
    if part < 1:
        count = math.ceil(part * len(seen["encoder_mm"]))
        ties = seen["ties"]
        near = np.abs(ties.a - ties.b) < len(seen["encoder_mm"]) / 2
        seen["ties"] = ties.take((ties.a < count) & (ties.b < count) & near)
        seen.update(encoder_mm=seen["encoder_mm"][:count], ring=False)
    return seen


def report(arguments: dict[str, Any]) -> None:
    """Prints each shared unknown's sigma and its closest companion; and what a tilt would spoil."""
    print(f"{len(arguments['encoder_mm'])} frames, {len(arguments['ties'])} ties")
    for lift_mm in (0.0, 1.0):
        priors = replace(arguments["priors"], lift_sigma_mm=lift_mm)
        problem = Problem(**{**arguments, "priors": priors})
        every = np.ones(len(problem.ties), dtype=bool)
        solution = problem.solve(problem.start(), every)
        problem.set_floor(problem.find_floor(solution, every))
        solution = problem.solve(solution.unknowns, every, settled=True)
        shared = solution.covariance[2 * problem.n :, 2 * problem.n :]
        sigma = np.sqrt(np.diag(shared))
        alike = np.abs(shared / np.outer(sigma, sigma)) - np.eye(len(sigma))
        print(f"lift-off {'free (1 mm)' if lift_mm else 'held'}:")
        free = [k for k in range(LIFT.start) if problem.sigmas[k] > 0]
        for k in free:
            far = max(free, key=lambda other: alike[k, other])
            angle = k in (ROLL, YAW, PITCH)
            value = math.degrees(sigma[k]) if angle else sigma[k]
            unit = "°" if angle else "" if k == SCALE else " mm"
            print(f"  {NAMES[k]:14s} ± {value:.5f}{unit}, with {NAMES[far]}: {alike[k, far]:.2f}")
    for name in ("yaw_rad", "pitch_rad"):
        spoilt(arguments, name)


def spoilt(arguments: dict[str, Any], name: str) -> None:
    """What a tilt of 0.1° does to a scan that is solved without: its ties moved as it would."""
    held = replace(arguments["priors"], yaw_sigma_rad=0.0, pitch_sigma_rad=0.0)
    square = adjust(**{**arguments, "priors": held})
    ties, panel, geometry = arguments["ties"], arguments["panel"], arguments["geometry"]
    tilted = replace(square.panel, **{name: TRIED_RAD})
    moved = {}
    for end, frame in (("a", ties.a), ("b", ties.b)):
        s, z = getattr(ties, f"s_{end}"), getattr(ties, f"z_{end}")
        column, row = surface_to_pixel(geometry, panel, 0.0, 0.0, s, z)
        place = square.position_mm[frame], square.axial_mm[frame]
        seen = pixel_to_surface(square.geometry, square.panel, *place, column, row)
        column, row = surface_to_pixel(square.geometry, tilted, *place, *seen)
        moved[f"s_{end}"], moved[f"z_{end}"] = pixel_to_surface(
            geometry, panel, 0.0, 0.0, column, row
        )
    found = adjust(**{**arguments, "priors": held, "ties": replace(ties, **moved)})
    off_um = 1e3 * (found.position_mm - square.position_mm)
    off_um -= off_um.mean()
    kept = ~(found.rejected | square.rejected)
    left_um = 1e3 * (found.residual_mm - square.residual_mm)[kept]
    print(
        f"0.1° of {name.removesuffix('_rad')}, held at 0: places off by {np.std(off_um):.1f} µm "
        f"RMS, {np.abs(off_um).max():.1f} at most; ties miss by {np.std(left_um):.1f} µm more"
    )


if __name__ == "__main__":
    report(told(Path(sys.argv[1]), float(sys.argv[2]) if len(sys.argv) > 2 else 1.0))
