"""How well a scan's ties would tell the panel's tilts from all else that they tell.

``python -m tests.benchmarks.tilts SCAN [PART]``: SCAN was simulated and calibrated; PART of its
frames (default: all). *Yaw* turns the panel about the line through its centre along the pipe,
*pitch* about the line along the scan. The adjustment's own ties with their covariances; derivatives
of what they miss by are difference quotients, with the tilts as two unknowns more.
"""

from __future__ import annotations

import math
import sys
import tempfile
from pathlib import Path
from typing import Any
from unittest.mock import patch

import numpy as np

from pipeline.config.weld import load_weld_config
from pipeline.geometry import lift_waves, project
from pipeline.run import run_weld
from pipeline.stages import registration
from pipeline.stages.adjustment import Adjustment
from pipeline.stages.matching import Ties
from pipeline.stages.unknowns import LIFT_ORDERS

SOURCE_X, SOURCE_Y, ROLL, STANDOFF, YAW, PITCH = range(6)
NAMES = ("source x", "source y", "roll", "stand-off", "yaw", "pitch")
SHARED = 6 + 2 * LIFT_ORDERS
TRIED_RAD = math.radians(0.1)


class Scan:
    """A solved scan, or its first frames: ties, unknowns [positions, axial, shared], priors."""

    def __init__(self, told: dict[str, Any], found: Adjustment, part: float) -> None:
        self.frames = math.ceil(part * len(found.position_mm))
        keep = ~found.rejected
        if part < 1:
            keep &= (told["ties"].a < self.frames) & (told["ties"].b < self.frames) & ~found.wraps
        self.ties: Ties = told["ties"].take(keep)
        self.geometry, self.priors = told["geometry"], told["priors"]
        self.at_a, self.at_b = (
            project(self.geometry, (0.0, 0.0, 0.0), s / self.geometry.radius_mm, z)
            for s, z in ((self.ties.s_a, self.ties.z_a), (self.ties.s_b, self.ties.z_b))
        )
        n, solved = self.frames, found.geometry
        self.solved = np.zeros(2 * n + SHARED)
        self.solved[:n], self.solved[n : 2 * n] = found.position_mm[:n], found.axial_mm[:n]
        self.solved[2 * n : 2 * n + 4] = (
            solved.source_x_mm, solved.source_y_mm, found.panel.roll_rad, solved.standoff_mm,
        )  # fmt: skip
        self.solved[2 * n + 6 : 2 * n + 6 + len(solved.lift_off_mm)] = solved.lift_off_mm

    def missed(self, unknowns: np.ndarray) -> np.ndarray:
        """(ties, 2): where b sees the place minus where a does, (s, z), mm."""
        off = self._seen(unknowns, self.ties.b, *self.at_b)
        off -= self._seen(unknowns, self.ties.a, *self.at_a)
        once = self.geometry.circumference_mm
        off[:, 0] -= once * np.rint(off[:, 0] / once)
        return off

    def _seen(self, unknowns: np.ndarray, k: np.ndarray, u: np.ndarray, v: np.ndarray) -> Any:
        """Where frames ``k`` see what they show at (u, v) of an untilted, unrolled panel."""
        n, radius = self.frames, self.geometry.radius_mm
        position, axial, shared = unknowns[:n][k], unknowns[n : 2 * n][k], unknowns[2 * n :]
        theta = position / radius
        cos, sin = math.cos(shared[ROLL]), math.sin(shared[ROLL])
        along, across = u * cos - v * sin, u * sin + v * cos
        sx, sy = shared[SOURCE_X], shared[SOURCE_Y]
        xs, ys = sx * np.cos(theta) + sy * np.sin(theta), sy * np.cos(theta) - sx * np.sin(theta)
        lift = lift_waves(theta, LIFT_ORDERS) @ shared[6:]
        x = radius + shared[STANDOFF] + lift
        x = x + along * math.sin(shared[YAW]) + across * math.sin(shared[PITCH])
        dx, dy = x - xs, along * math.cos(shared[YAW]) - ys
        a, b = dx**2 + dy**2, xs * dx + ys * dy
        ray = (np.sqrt(b * b - a * (xs**2 + ys**2 - radius**2)) - b) / a
        z = -axial + ray * (across * math.cos(shared[PITCH]) + axial)
        return np.stack(
            [position + radius * np.arctan2(ys + ray * dy, xs + ray * dx), z + axial], axis=1
        )

    def design(self) -> tuple[np.ndarray, np.ndarray]:
        """What the ties miss by, per unknown: plain (ties · 2, unknowns), and in their sigmas."""
        columns = []
        for k in range(len(self.solved)):
            step = np.zeros(len(self.solved))
            step[k] = 1e-6 if k - 2 * self.frames in (ROLL, YAW, PITCH) else 1e-4
            off = self.missed(self.solved + step) - self.missed(self.solved - step)
            columns.append(off.ravel() / (2 * step[k]))
        plain = np.stack(columns, axis=1)
        root = np.linalg.cholesky(np.linalg.inv(self._covariance()))
        pairs = plain.reshape(len(self.ties), 2, -1)
        return plain, np.einsum("nji,njk->nik", root, pairs).reshape(plain.shape)

    def _covariance(self) -> np.ndarray:
        """The ties' own, with the least floor that explains what they miss by."""
        left = self.missed(self.solved)
        for floor_mm in np.geomspace(1e-4, 5e-2, 60):
            covariance = self.ties.covariance + floor_mm**2 * np.eye(2)
            distance = np.einsum("ni,nij,nj->", left, np.linalg.inv(covariance), left)
            if distance <= left.size - 2 * self.frames:
                break
        return np.asarray(covariance)

    def prior(self, *, lift_mm: float) -> np.ndarray:
        """The priors' part of the normal matrix: encoder, carriage, geometry, 1° for the tilts."""
        n, told = self.frames, self.priors
        matrix = np.zeros((len(self.solved),) * 2)
        steps = np.diff(np.eye(n), axis=0)
        gone = np.diff(self.solved[:n])
        counted = told.step_sigma_mm**2 * np.eye(n - 1)
        counted += told.encoder_scale_sigma**2 * np.outer(gone, gone)
        matrix[:n, :n] = steps.T @ np.linalg.inv(counted) @ steps
        matrix[n : 2 * n, n : 2 * n] = steps.T @ steps / told.axial_sigma_mm**2
        matrix[0, 0] += 1e8
        matrix[n, n] += 1e8
        sigmas = np.full(SHARED, max(lift_mm, 1e-9))
        sigmas[:6] = (
            told.source_sigma_mm, told.source_sigma_mm, told.roll_sigma_rad,
            told.standoff_sigma_mm or 0.5, math.radians(1), math.radians(1),
        )  # fmt: skip
        matrix[2 * n :, 2 * n :] += np.diag(1 / sigmas**2)
        return matrix


def solve(scan_folder: Path, part: float) -> Scan:
    """The scan registered as always, its adjustment's arguments and result kept."""
    seen: dict[str, Any] = {}
    adjust = registration.adjust

    def spy(
        ties: Ties, encoder_mm: Any, geometry: Any, panel: Any, priors: Any, **rest: Any
    ) -> Any:
        found = adjust(ties, encoder_mm, geometry, panel, priors, **rest)
        seen.update(told={"ties": ties, "geometry": geometry, "priors": priors}, found=found)
        return found

    with tempfile.TemporaryDirectory() as work, patch.object(registration, "adjust", spy):
        out = {"output.folder": Path(work) / "result"}
        run_weld(load_weld_config(scan_folder / "stitch.toml", out))
    return Scan(seen["told"], seen["found"], part)


def report(scan: Scan) -> None:
    """Prints each shared unknown's sigma and its closest companion; and what a tilt would spoil."""
    plain, weighed = scan.design()
    n = scan.frames
    ties = weighed.T @ weighed
    print(f"{n} frames, {len(scan.ties)} ties")
    for lift_mm in (0.0, 1.0):
        covariance = np.linalg.inv(ties + scan.prior(lift_mm=lift_mm))
        sigma = np.sqrt(np.diag(covariance))
        print(f"lift-off {'free (1 mm a wave)' if lift_mm else 'held'}:")
        for k, name in enumerate(NAMES):
            others = [j for j in range(6) if j != k]
            alike = [abs(covariance[2 * n + k, 2 * n + j]) / sigma[2 * n + k] / sigma[2 * n + j]
                     for j in others]  # fmt: skip
            far = int(np.argmax(alike))
            angle = k in (ROLL, YAW, PITCH)
            value = math.degrees(sigma[2 * n + k]) if angle else sigma[2 * n + k]
            unit = "°" if angle else " mm"
            print(f"  {name:10s} ± {value:.5f}{unit}, with {NAMES[others[far]]}: {alike[far]:.2f}")
    held = [k for k in range(len(scan.solved)) if k < 2 * n + YAW]
    normal = (ties + scan.prior(lift_mm=0.0))[np.ix_(held, held)]
    for k in (YAW, PITCH):
        tilt = TRIED_RAD * weighed[:, 2 * n + k]
        moved = -np.linalg.solve(normal, weighed[:, held].T @ tilt)
        left = TRIED_RAD * plain[:, 2 * n + k] + plain[:, held] @ moved
        off_mm = moved[:n] - moved[:n].mean()
        print(
            f"0.1° of {NAMES[k]}, held at 0: places off by {1e3 * np.std(off_mm):.1f} µm RMS, "
            f"{1e3 * np.abs(off_mm).max():.1f} at most; ties miss by {1e3 * np.std(left):.1f} µm"
        )


if __name__ == "__main__":
    report(solve(Path(sys.argv[1]), float(sys.argv[2]) if len(sys.argv) > 2 else 1.0))
