"""How right a result is, against the simulation's truth: positions, ruler, seams, noise, columns.

Everything here is computed from the files of a scan (``truth/``) and of a result folder, so that a
figure is what a user would find. Lengths in mm unless a name says px; a px is a strip pixel.
"""

from __future__ import annotations

import json
import math
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import tifffile
from numpy.typing import NDArray
from scipy import ndimage

from pipeline.geometry import (
    Arrangement,
    Panel,
    ScanGeometry,
    pixel_to_surface,
    surface_to_pixel,
)
from pipeline.io.calibration_store import read_calibration
from pipeline.io.positions import read_positions
from pipeline.io.strip import read_maps, read_strip
from pipeline.kernels.interpolation import noise_left
from pipeline.model import Origin

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Solved:
    """A result beside its truth; arrays have one entry a used frame."""

    truth: dict[str, Any]
    quality: dict[str, Any]
    position_mm: Array
    axial_mm: Array
    true_position_mm: Array
    true_axial_mm: Array
    pitch_mm: float

    @property
    def position_error_mm(self) -> Array:
        """Position errors without their mean, which is the datum's own uncertainty."""
        error = self.position_mm - self.true_position_mm
        return error - error.mean()


def load(scan: Path, result: Path) -> Solved:
    """Read what is needed of a scan's truth and of a result."""
    truth = json.loads((scan / "truth" / "truth.json").read_text(encoding="utf-8"))
    quality = json.loads((result / "quality.json").read_text(encoding="utf-8"))
    true = {frame["file"]: frame for frame in truth["frames"]}
    rows = [row for row in read_positions(result / "positions.csv") if row.used]
    return Solved(
        truth=truth,
        quality=quality,
        position_mm=np.array([row.position_mm for row in rows], dtype=np.float64),
        axial_mm=np.array([row.axial_mm for row in rows], dtype=np.float64),
        true_position_mm=np.array([true[row.file]["position_mm"] for row in rows]),
        true_axial_mm=np.array([true[row.file]["axial_mm"] for row in rows]),
        pitch_mm=quality["strip"]["pitch_mm"],
    )


def true_view(solved: Solved) -> tuple[ScanGeometry, Panel]:
    """The geometry and the panel as they truly were."""
    told = solved.truth["geometry"]
    geometry = ScanGeometry(
        told["radius_mm"],
        told["standoff_mm"],
        Arrangement(told["arrangement"]),
        told["source_x_mm"],
        told["source_y_mm"],
        told["source_axial_mm"],
        told["source_distance_mm"],
        tuple(told.get("lift_off_mm", ())),
    )
    panel = solved.truth["panel"]
    return geometry, Panel(
        panel["rows"],
        panel["columns"],
        panel["pitch_mm"],
        roll_rad=math.radians(told["roll_deg"]),
        yaw_rad=math.radians(told["yaw_deg"]),
        pitch_rad=math.radians(told["pitch_deg"]),
    )


def _solved_view(solved: Solved) -> tuple[ScanGeometry, Panel]:
    geometry, panel = true_view(solved)
    found = solved.quality["geometry"]
    return (
        ScanGeometry(
            geometry.radius_mm,
            found["standoff_mm"],
            geometry.arrangement,
            found["source_x_mm"],
            found["source_y_mm"],
            geometry.source_axial_mm,
            geometry.source_distance_mm,
            tuple(found["lift_off_mm"]),
        ),
        Panel(
            panel.rows,
            panel.columns,
            panel.pitch_mm,
            roll_rad=math.radians(found["roll_deg"]),
            yaw_rad=math.radians(found["yaw_deg"]),
            pitch_rad=math.radians(found["pitch_deg"]),
        ),
    )


def ruler_error_mm(solved: Solved, *, points: int = 50, seed: int = 1) -> Array:
    """Errors of the distance from the datum of known surface points anywhere inside frames.

    A point is put on the panel by the true geometry and read back by the solved one; what the
    frame's own position error explains is taken away.
    """
    rng = np.random.default_rng(seed)
    geometry, panel = true_view(solved)
    found, found_panel = _solved_view(solved)
    frames = rng.integers(0, len(solved.position_mm), points)
    column = rng.uniform(8, panel.columns - 9, points)
    row = rng.uniform(8, panel.rows - 9, points)
    position, axial = solved.true_position_mm[frames], solved.true_axial_mm[frames]
    s_true, z_true = pixel_to_surface(geometry, panel, position, axial, column, row)
    seen = surface_to_pixel(geometry, panel, position, axial, s_true, z_true)
    s_found, _ = pixel_to_surface(
        found, found_panel, solved.position_mm[frames], solved.axial_mm[frames], *seen
    )
    return np.asarray((s_found - s_true) - (solved.position_mm[frames] - position))


@dataclass(frozen=True)
class Compared:
    """Strip and true strip on the same grid, scaled to each other; maps beside them.

    ``plain_gv`` is the strip's gray value where the true strip is 1: bare wall.
    """

    strip: NDArray[np.float32]
    truth: NDArray[np.float32]
    sigma: NDArray[np.float32]
    count: NDArray[np.uint8]
    measured: NDArray[np.bool_]
    plain: NDArray[np.bool_]
    pitch_mm: float
    plain_gv: float


def compare(scan: Path, result: Path, solved: Solved) -> Compared:
    """Bring a ring's strip and its truth together; ``plain`` marks bare wall, far from anything.

    The zero along the pipe is the first frame's in both, so no fit is needed there.
    """
    values, metadata = read_strip(result / "strip.tif")
    maps = read_maps(result / "maps.tif")
    truth = tifffile.imread(scan / "truth" / "strip.tif")
    pitch = metadata["pitch_mm"]
    below = (metadata["z_first_mm"] - solved.truth["strip"]["z_first_mm"]) / pitch
    shift = math.floor(below + 1e-6)
    if below - shift > 1e-3:  # rows between the truth's; its blur carries little that is lost
        truth = ndimage.shift(truth, (shift - below, 0), order=5, mode="nearest")
    once = slice(truth.shape[1])
    strip = values[:, once].astype(np.float32)
    truth = truth[shift : shift + len(strip)]
    measured = maps.origin[:, once] == Origin.MEASURED
    smooth = cv2.GaussianBlur(truth, (0, 0), 8)
    plain = np.abs(truth / smooth - 1) < 0.01
    plain = cv2.erode(plain.astype(np.uint8), np.ones((9, 9))) > 0
    scale = float(np.median(strip[measured & plain] / truth[measured & plain]))
    return Compared(
        strip / np.float32(scale),
        truth,
        maps.sigma[:, once] * np.float32(metadata["sigma_scale"] / scale),
        maps.count[:, once],
        measured,
        plain & measured & (truth > 0.8) & (truth < 1.2),
        pitch,
        scale,
    )


def seam_steps(compared: Compared, solved: Solved, *, width_px: int = 48) -> Array:
    """Relative gray steps across the seams, mean over each seam's plain pixels."""
    ratio = np.where(compared.plain, compared.strip / compared.truth, np.nan)
    columns = compared.strip.shape[1]
    steps = []
    for seam in solved.quality["seams"]:
        at = round(seam["s_mm"] / compared.pitch_mm)
        sides = [
            float(np.nanmean(ratio[:, np.arange(low, low + width_px) % columns]))
            for low in (at - width_px, at)
        ]
        steps.append(sides[1] / sides[0] - 1)
    return np.array(steps)


def noise_ratio(compared: Compared) -> float:
    """Noise in the strip over what the log predicts for it, robustly, on plain wall."""
    plain = compared.plain
    pull = (compared.strip[plain] - compared.truth[plain]) / compared.sigma[plain]
    return float(1.4826 * np.median(np.abs(pull - np.median(pull))))


def noise_by_count(compared: Compared, *, shading_px: float = 16, least: int = 20_000) -> Array:
    """The same for each number of frames that measured a pixel, where ``least`` pixels are plain.

    Shading, which is slow and no noise, is taken out first: what a Gaussian of ``shading_px``
    leaves of the pulls.
    """
    plain = compared.plain.astype(np.float32)
    pull = (compared.strip - compared.truth) / np.maximum(compared.sigma, 1e-6) * plain
    slow = cv2.GaussianBlur(pull, (0, 0), shading_px)
    slow /= np.maximum(cv2.GaussianBlur(plain, (0, 0), shading_px), 1e-3)
    ratios = []
    for count in range(1, int(compared.count.max()) + 1):
        here = (pull - slow)[compared.plain & (compared.count == count)]
        if here.size >= least:
            ratios.append(1.4826 * np.median(np.abs(here - np.median(here))))
    return np.array(ratios)


def ideal_noise_ratio(compared: Compared, calibration: Path) -> float:
    """Noise in the strip over the ideal for the frames that saw each pixel, on plain wall.

    Ideal: one frame's predicted noise (variance offset + slope · signal, and the gain map's own),
    times what interpolation at a random phase leaves of white noise, over √count.
    """
    noise, level = read_calibration(calibration).facts.noise, compared.plain_gv
    phases = np.linspace(0, 1, 65, dtype=np.float32)
    left = float(np.trapezoid([noise_left(phase) for phase in phases], phases)) ** 2
    variance = left * (noise.offset + noise.slope * level) + (noise.gain_relative * level) ** 2
    one_frame = math.sqrt(variance) / level
    difference = compared.strip / compared.truth - 1
    ideal = one_frame / np.sqrt(np.maximum(compared.count, 1))
    pull = (difference / ideal)[compared.plain]
    return float(1.4826 * np.median(np.abs(pull - np.median(pull))))


def column_shifts_px(compared: Compared, *, width_px: int = 160, step_px: int = 80) -> Array:
    """How far, along the scan, each piece of the strip lies from the true strip's same piece.

    Pieces hold the weld's texture; their shift is found by upsampled phase correlation. A piece
    that is missing or doubled shows as a shift or can't be matched (NaN).
    """
    from skimage.registration import phase_cross_correlation  # noqa: PLC0415

    rows = compared.strip.shape[0]
    weld = slice(rows // 2 - rows // 8, rows // 2 + rows // 8)
    shifts = []
    for first in range(0, compared.strip.shape[1] - width_px, step_px):
        piece = (weld, slice(first, first + width_px))
        pictures = [
            image - cv2.GaussianBlur(image, (0, 0), 12)
            for image in (
                np.log(np.maximum(compared.strip[piece], 0.05)),
                np.log(compared.truth[piece]),
            )
        ]
        window = np.hanning(width_px) * np.hanning(pictures[0].shape[0])[:, None]
        a, b = (picture * window for picture in pictures)
        shift, _, _ = phase_cross_correlation(b, a, normalization=None, upsample_factor=20)
        alike = float(np.sum(a * b) / math.sqrt(float(np.sum(a * a) * np.sum(b * b))))
        shifts.append(float(shift[1]) if alike > 0.5 else math.nan)
    return np.array(shifts)
