"""How true the strip's ruler is: what an uncertain source, stand-off or panel does to its places.

A frame's pixel lies on a ray from the source; where the ray leaves the pipe is the place shown. If
the source stands δ off where it is thought to be, across the ray, the ray turns about the pixel
and leaves the pipe δ · p / (q cos β) further on: p and q are the pixel's distances from that place
and from the source, β the angle between the ray and the surface's normal. Frames that see the same
place see it along the same ray, so their overlaps agree all the same: only this reckoning tells.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from pipeline.geometry import Array, Panel, ScanGeometry, pixel_to_surface, surface_to_pixel
from pipeline.model import FloatArray

_STEP_MM, _STEP_RAD = 1e-3, 1e-6  # half of the difference quotients' steps
_POINTS = 9  # along a frame; the deviation is smooth and greatest near an end


def place_slopes(
    geometry: ScanGeometry, panel: Panel, position_mm: Array, column: Array, row: Array
) -> Array:
    """How the place s that frames at ``position_mm`` show at (column, row) moves: (…, 6), with the
    source's x and y in the pipe's frame (mm per mm), with the panel's roll (mm per rad), with its
    stand-off (mm per mm), with its yaw and its pitch.

    Shapes broadcast. NaN where a ray misses the pipe; a source that is carried round knows no x
    and y: 0.
    """

    def moved(x: float, y: float, roll: float, standoff: float, yaw: float, pitch: float) -> Array:
        shown, _ = pixel_to_surface(
            replace(
                geometry,
                source_x_mm=geometry.source_x_mm + x,
                source_y_mm=geometry.source_y_mm + y,
                standoff_mm=geometry.standoff_mm + standoff,
            ),
            replace(
                panel,
                roll_rad=panel.roll_rad + roll,
                yaw_rad=panel.yaw_rad + yaw,
                pitch_rad=panel.pitch_rad + pitch,
            ),
            position_mm,
            0.0,
            column,
            row,
        )
        return shown

    steps = np.diag([_STEP_MM, _STEP_MM, _STEP_RAD, _STEP_MM, _STEP_RAD, _STEP_RAD])
    with np.errstate(invalid="ignore"):
        slopes = [(moved(*step) - moved(*-step)) / (2 * step.sum()) for step in steps]
    return np.stack(slopes, axis=-1)


def ruler_sigma_mm(
    geometry: ScanGeometry,
    panel: Panel,
    position_mm: FloatArray,
    *,
    reach_mm: tuple[float, float],
    axial_mm: tuple[float, float],
    source_sigma_mm: tuple[float, float],
    roll_sigma_rad: float,
    standoff_sigma_mm: float,
    yaw_sigma_rad: float = 0.0,
    pitch_sigma_rad: float = 0.0,
) -> float:
    """The largest standard deviation, over frames at ``position_mm`` (n,), of a shown place's
    distance from its frame's position.

    ``reach_mm`` and ``axial_mm`` are what a frame is used for, along the scan from its position and
    along the pipe. All these count as independent; were the source's x and y wholly tied to each
    other, the true figure could be √2 times as large. What else the ruler rests on, the diameter,
    counts as exact. NaN when a used ray misses the pipe.
    """
    position = np.asarray(position_mm)[:, np.newaxis, np.newaxis]
    s = position + np.linspace(*reach_mm, _POINTS)[:, np.newaxis]
    column, row = surface_to_pixel(geometry, panel, position, 0.0, s, np.array(axial_mm))
    slopes = place_slopes(geometry, panel, position, column, row)
    sigma = np.array(
        [*source_sigma_mm, roll_sigma_rad, standoff_sigma_mm, yaw_sigma_rad, pitch_sigma_rad]
    )
    return float(np.sqrt(np.square(slopes * sigma).sum(axis=-1).max()))
