"""Everything on a weld that has an outline: wires, lead marks, pores, slag, cracks, spatter.

All are one shape, the union of straight strokes of one width, that adds or takes away thickness.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.model import FloatImage
from pipeline.simulation.glyphs import Segment
from pipeline.simulation.thickness import ThicknessMap

OVERSAMPLING = 4
BLUR_MM = 0.04
"""Standard deviation by which a focal spot of about 1 mm blurs what lies on the surface. It also
keeps the map free of detail that its pitch can't carry."""


@dataclass(frozen=True, slots=True)
class Stroke:
    """A round-ended line through ``segments`` (pairs of (s, z) in mm).

    ``depth_mm`` is the thickness of steel that it adds in its middle (negative: takes away); a
    ``rounded`` one has the profile of a wire or a ball, others are flat.
    """

    segments: tuple[Segment, ...]
    half_width_mm: float
    depth_mm: float
    rounded: bool = False


def stroke_through(
    points: list[tuple[float, float]], half_width_mm: float, depth_mm: float, *, rounded: bool
) -> Stroke:
    """The stroke through two or more points, or the dot at a single one."""
    ends = points[1:] or points
    return Stroke(tuple(zip(points, ends, strict=False)), half_width_mm, depth_mm, rounded)


def stamp(target: ThicknessMap, stroke: Stroke) -> None:
    """Add a stroke to the map, in place, with the focal spot's blur.

    What falls past the map's rows is lost; along the ring it wraps round.
    """
    import cv2  # noqa: PLC0415

    reach = stroke.half_width_mm + 5 * BLUR_MM + target.pitch_z_mm
    ends = np.array(stroke.segments).reshape(-1, 2)
    (s_low, z_low), (s_high, z_high) = ends.min(axis=0) - reach, ends.max(axis=0) + reach
    columns = np.arange(
        int(np.floor(s_low / target.pitch_s_mm)), int(np.ceil(s_high / target.pitch_s_mm)) + 1
    )
    rows = np.arange(
        int(np.floor((z_low - target.z_first_mm) / target.pitch_z_mm)),
        int(np.ceil((z_high - target.z_first_mm) / target.pitch_z_mm)) + 1,
    )
    patch = _drawn(
        stroke,
        _fine(columns) * target.pitch_s_mm,
        _fine(rows) * target.pitch_z_mm + target.z_first_mm,
    )
    shape = (rows.size, OVERSAMPLING, columns.size, OVERSAMPLING)
    patch = patch.reshape(shape).mean(axis=(1, 3), dtype=np.float32)
    patch = cv2.GaussianBlur(
        patch,
        (0, 0),
        sigmaX=BLUR_MM / target.pitch_s_mm,
        sigmaY=BLUR_MM / target.pitch_z_mm,
        borderType=cv2.BORDER_CONSTANT,
    )
    inside = (rows >= 0) & (rows < target.values.shape[0])
    place = np.ix_(rows[inside], columns % target.values.shape[1])
    target.values[place] += patch[inside]


def _fine(indices: np.ndarray) -> np.ndarray:
    """Centres of the OVERSAMPLING parts of each map pixel, in map pixels."""
    parts = (np.arange(OVERSAMPLING) + 0.5) / OVERSAMPLING - 0.5
    return np.asarray((indices[:, None] + parts).ravel())


def _drawn(stroke: Stroke, s_mm: np.ndarray, z_mm: np.ndarray) -> FloatImage:
    """The stroke's thickness at every (z, s) of a fine grid, float32."""
    s, z = s_mm[None, :], z_mm[:, None]
    nearest_sq = np.full((z.size, s.size), np.inf)
    for (s0, z0), (s1, z1) in stroke.segments:
        ds, dz = s1 - s0, z1 - z0
        length_sq = ds * ds + dz * dz
        along = np.clip(((s - s0) * ds + (z - z0) * dz) / length_sq, 0, 1) if length_sq > 0 else 0.0
        distance_sq = (s - s0 - along * ds) ** 2 + (z - z0 - along * dz) ** 2
        np.minimum(nearest_sq, distance_sq, out=nearest_sq)
    if stroke.rounded:
        inner = np.maximum(1 - nearest_sq / stroke.half_width_mm**2, 0)
        return np.asarray(stroke.depth_mm * np.sqrt(inner), dtype=np.float32)
    # Coverage of a fine cell by a straight edge, so that an edge between two cells isn't rounded.
    cell_mm = s_mm[1] - s_mm[0]
    cover = np.clip((stroke.half_width_mm - np.sqrt(nearest_sq)) / cell_mm + 0.5, 0, 1)
    return np.asarray(stroke.depth_mm * cover, dtype=np.float32)
