"""Which frames saw a point of the pipe, and at which pixel of the panel."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from pipeline.geometry import Panel, ScanGeometry, surface_to_pixel
from pipeline.measure import solved_geometry
from pipeline.plan import scan_geometry
from pipeline.review.weld import OpenWeld
from pipeline.stages import stage_of
from pipeline.stages.distortion import Distortion

_MARGIN_PX = 3  # what blending's interpolation needs beyond a pixel


@dataclass(frozen=True, slots=True)
class PanelPlace:
    """Where on the panel a frame, by its index in the log, saw a point: pixels, not whole ones."""

    frame: int
    row: float
    column: float


def frames_there(weld: OpenWeld, s_mm: float, z_mm: float) -> list[int]:
    """Indices into the log's frames; none where the config that tells the panel is gone."""
    return [one.frame for one in places_on_panel(weld, s_mm, z_mm)]


def places_on_panel(weld: OpenWeld, s_mm: float, z_mm: float) -> list[PanelPlace]:
    """Every used frame whose used part saw the point, in the order of the log.

    Whether a pixel there was bad or too bright isn't asked.
    """
    job = weld.job
    if job is None:
        return []
    geometry, panel = solved_geometry(weld.log, *scan_geometry(job))
    distortion = stage_of(job.stages.records, Distortion)
    used = [k for k, frame in enumerate(weld.log.frames) if frame.used]
    position, axial = (
        np.array([getattr(weld.log.frames[k], name) for k in used], dtype=np.float64)
        for name in ("position_mm", "axial_mm")
    )
    away = s_mm - position
    if weld.grid.ring:
        turn = weld.log.strip.circumference_mm
        away = away - turn * np.round(away / turn)
    near = np.abs(away) <= math.radians(distortion.max_angle_deg) * geometry.radius_mm
    with np.errstate(invalid="ignore", divide="ignore"):  # the other side of the pipe
        column, row = surface_to_pixel(geometry, panel, position, axial, position + away, z_mm)
        inside = near & _inside(panel, distortion, column, row)
    return [
        PanelPlace(used[k], float(row[k]), float(column[k]))
        for k in np.flatnonzero(inside).tolist()
    ]


def _inside(
    panel: Panel, distortion: Distortion, column: np.ndarray, row: np.ndarray
) -> np.ndarray:
    edge = distortion.edge_px + _MARGIN_PX
    across = (column >= edge) & (column <= panel.columns - 1 - edge)
    return np.asarray(across & (row >= edge) & (row <= panel.rows - 1 - edge))


def magnification(geometry: ScanGeometry, panel: Panel) -> float:
    """Panel pixels that a millimetre of the outer surface takes, at the panel's middle."""
    step_mm = 1.0
    column, _ = surface_to_pixel(geometry, panel, 0.0, 0.0, np.array([0.0, step_mm]), 0.0)
    return float(abs(column[1] - column[0]) / step_mm)
