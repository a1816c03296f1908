"""One exposure: the dose that reaches each panel pixel through an invented weld.

Every pixel is the mean over a fine grid of 2×2 rays, each traced to the surface by `geometry`;
blur of the scintillator happens on the fine grid, before the pixels sample it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.geometry import (
    Arrangement,
    Panel,
    ScanGeometry,
    Source,
    Values,
    relative_flux,
    unproject,
)
from pipeline.model import FloatArray, FloatImage
from pipeline.simulation.rays import sample_dose
from pipeline.simulation.spectrum import TABLE_STEP_MM
from pipeline.simulation.thickness import ThicknessMap

SUB = 2
COARSE = 8
"""Rays between the nodes at which geometry is computed exactly. Between two nodes 0.4 mm apart it
is taken as straight: wrong by less than h²/8 · u/L² = 2e-5 mm on the smallest pipe."""


@dataclass(frozen=True, slots=True)
class Beam:
    """What the radiation does: transmission through steel, scatter and the panel's blur.

    ``table`` is the primary radiation every TABLE_STEP_MM of steel, ``scatter`` what is added to
    it; scatter is smooth and follows the beam. At the full tube voltage both together are 1 at
    the panel's centre behind plain wall.
    """

    table: FloatImage
    scatter: float
    blur_px: float


def wall_path(
    geometry: ScanGeometry, source: Source, phi: Values, z_mm: Values, depth_mm: float
) -> FloatArray:
    """How far a ray to the surface point (φ, z) runs inside the last ``depth_mm``, over depth_mm.

    1 for a ray along the radius; from the ray's closest distance p to the axis it is
    (√(R² − p²) − √((R − depth)² − p²))/depth, stretched by the ray's slope along the pipe.
    """
    xs, ys, zs = source
    radius = geometry.radius_mm
    dx, dy = radius * np.cos(phi) - xs, radius * np.sin(phi) - ys
    flat_sq = dx * dx + dy * dy
    nearest_sq = (xs * dy - ys * dx) ** 2 / flat_sq
    chord = np.sqrt(radius**2 - nearest_sq) - np.sqrt((radius - depth_mm) ** 2 - nearest_sq)
    slope_sq = np.square(np.subtract(z_mm, zs)) / flat_sq
    return np.asarray(chord / depth_mm * np.sqrt(1 + slope_sq))


def expose(
    thickness: ThicknessMap,
    geometry: ScanGeometry,
    panel: Panel,
    beam: Beam,
    *,
    position_mm: float,
    axial_mm: float,
    wall_mm: float,
) -> FloatImage:
    """The mean relative dose at every panel pixel, (rows, columns) float32, no noise.

    Through two walls the nearer one adds its plain thickness along the ray.
    """
    theta = position_mm / geometry.radius_mm
    source, lift = geometry.source(theta, axial_mm), geometry.lift_mm(theta)
    nodes_row = node_centres(0, panel.rows)
    nodes_column = node_centres(0, panel.columns)
    u, v = panel.to_plane(nodes_column[None, :], nodes_row[:, None])
    lift = lift + panel.beyond_mm(nodes_column[None, :], nodes_row[:, None])
    phi, z = unproject(geometry, source, u, v, lift)
    path = wall_path(geometry, source, phi, z, wall_mm)
    near = path * wall_mm if geometry.arrangement is Arrangement.TWO_WALL else np.zeros_like(path)
    fields = np.stack(
        [
            (position_mm + geometry.radius_mm * phi) / thickness.pitch_s_mm,
            (z + axial_mm - thickness.z_first_mm) / thickness.pitch_z_mm,
            path,
            near,
            relative_flux(geometry, source, u, v, lift, panel.axes[2]),
        ]
    )
    fine = np.empty((panel.rows * SUB, panel.columns * SUB), dtype=np.float32)
    sample_dose(thickness.values, fields, COARSE, beam.table, TABLE_STEP_MM, beam.scatter, fine)
    return blur_and_bin(fine, beam.blur_px)


def blur_and_bin(fine: FloatImage, blur_px: float) -> FloatImage:
    """Blur a fine image by ``blur_px`` (standard deviation in whole pixels), then mean of SUB×SUB.

    Past the border the image is taken as mirrored.
    """
    import cv2  # noqa: PLC0415

    rows, columns = fine.shape[0] // SUB, fine.shape[1] // SUB
    blurred = cv2.GaussianBlur(fine, (0, 0), SUB * blur_px, borderType=cv2.BORDER_REFLECT)
    # Area interpolation by a whole factor is the plain mean, and 20 times as fast as numpy's.
    means = cv2.resize(blurred, (columns, rows), interpolation=cv2.INTER_AREA)
    return np.asarray(means)


def node_centres(first_px: float, count_px: int) -> FloatArray:
    """Every COARSE-th centre of the fine grid, in pixels, and one past the last."""
    count = (count_px * SUB - 1) // COARSE + 2
    return first_px - 0.5 + 0.5 / SUB + np.arange(count, dtype=np.float64) * (COARSE / SUB)
