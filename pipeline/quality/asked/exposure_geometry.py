"""The geometry of an exposure as the standards measure it: unsharpness, magnification, distances.

f is the distance from the source to the side of the object that faces it, b from there to the
detector, d the source's size, t the wall; all in mm. The formulae are those of ISO 17636 as public
sources quote them and of common textbooks; their factors come from a profile.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from pipeline.geometry import Arrangement, ScanGeometry


@dataclass(frozen=True, slots=True)
class ExposureGeometry:
    """f, b, d and t of one arrangement; ``focal_spot_mm`` (d) is None where it isn't told."""

    source_to_object_mm: float
    object_to_detector_mm: float
    wall_mm: float
    focal_spot_mm: float | None = None

    @property
    def magnification(self) -> float:
        """Of the object's side that faces the source: 1 + b/f."""
        return 1 + self.object_to_detector_mm / self.source_to_object_mm

    @property
    def unsharpness_mm(self) -> float | None:
        """Geometric unsharpness at the detector, d·b/f; None without a focal spot."""
        if self.focal_spot_mm is None:
            return None
        return geometric_unsharpness_mm(
            self.focal_spot_mm, self.object_to_detector_mm, self.source_to_object_mm
        )

    @property
    def distance_ratio(self) -> float | None:
        """f/d; None without a focal spot."""
        return None if self.focal_spot_mm is None else self.source_to_object_mm / self.focal_spot_mm


def exposure_geometry(
    geometry: ScanGeometry, wall_mm: float, focal_spot_mm: float | None = None
) -> ExposureGeometry:
    """The exposure of the wall next to the panel, where the source is nearest to it.

    Through two walls one image is made of the wall at the panel only, so the object is that wall
    and f reaches to its inner surface.

    Raises:
        ValueError: the source stands in the wall that is looked at, or beyond it.
    """
    inner_mm = geometry.radius_mm - wall_mm
    off_mm = math.hypot(geometry.source_x_mm, geometry.source_y_mm)
    if geometry.arrangement is Arrangement.TWO_WALL:
        distance_mm = geometry.source_distance_mm + inner_mm
    else:
        distance_mm = inner_mm - off_mm
    if distance_mm <= 0:
        raise ValueError(
            f"a source {off_mm} mm off the axis stands in a wall from {inner_mm} mm on"
        )
    return ExposureGeometry(distance_mm, wall_mm + geometry.standoff_mm, wall_mm, focal_spot_mm)


def geometric_unsharpness_mm(
    focal_spot_mm: float, object_to_detector_mm: float, source_to_object_mm: float
) -> float:
    """Ug = d·b/f, at the detector."""
    return focal_spot_mm * object_to_detector_mm / source_to_object_mm


def least_distance_mm(
    focal_spot_mm: float,
    object_to_detector_mm: float,
    wall_mm: float,
    *,
    factor: float,
    exponent: float,
    least_b_in_t: float,
) -> float:
    """The least f: d · factor · b ** exponent, with t for b where b < ``least_b_in_t`` · t."""
    reach_mm = object_to_detector_mm
    if reach_mm < least_b_in_t * wall_mm:
        reach_mm = wall_mm
    return float(focal_spot_mm * factor * reach_mm**exponent)


def total_unsharpness_mm(
    unsharpness_mm: float, detector_sr_b_mm: float, magnification: float
) -> float:
    """Of the picture, in the object's plane: √(Ug² + (2 SR_b)²)/M, SR_b being the detector's."""
    return math.hypot(unsharpness_mm, 2 * detector_sr_b_mm) / magnification


def image_sr_b_mm(unsharpness_mm: float, detector_sr_b_mm: float, magnification: float) -> float:
    """SR_b of the picture in the object's plane: half its total unsharpness."""
    return total_unsharpness_mm(unsharpness_mm, detector_sr_b_mm, magnification) / 2


def thickness_ratio(geometry: ScanGeometry, wall_mm: float, reach_rad: float) -> float:
    """Penetrated thickness at the frame's ends over that in its middle, the larger of both ends.

    ``reach_rad`` is how far the frame reaches round the pipe, from its middle. A ray that passes
    the axis at the distance p has 2(√(R² − p²) − √(r² − p²)) of both walls before it, or half of
    it if it comes from within; where it passes only through metal (p > r) the second root is 0.
    A source off the axis is taken where it stands at the datum and a quarter turn on, the worse.
    """
    outer_mm, inner_mm = geometry.radius_mm, geometry.radius_mm - wall_mm
    off_mm = math.hypot(geometry.source_x_mm, geometry.source_y_mm)
    if geometry.arrangement is Arrangement.TWO_WALL:
        sources = [(-geometry.source_distance_mm, 0.0)]
    else:
        sources = [(off_mm, 0.0), (-off_mm, 0.0), (0.0, off_mm), (0.0, -off_mm)]

    def path(source: tuple[float, float], angle: float) -> float:
        x, y = outer_mm * math.cos(angle), outer_mm * math.sin(angle)
        away = abs(source[0] * y - source[1] * x) / math.hypot(x - source[0], y - source[1])
        squares = np.maximum(np.array([outer_mm, inner_mm]) ** 2 - away**2, 0)
        outer, inner = np.sqrt(squares)
        return float(outer - inner)

    return max(
        path(source, angle) / path(source, 0.0)
        for source in sources
        for angle in (-reach_rad, reach_rad)
    )


def largest_reach_rad(
    geometry: ScanGeometry, wall_mm: float, ratio: float, most_rad: float
) -> float:
    """How far a frame may reach, at most ``most_rad``, for ``thickness_ratio`` to stay in bounds.

    By halving, to a thousandth of ``most_rad``; the ratio grows with the reach.
    """
    if thickness_ratio(geometry, wall_mm, most_rad) <= ratio:
        return most_rad
    low, high = 0.0, most_rad
    for _ in range(10):
        middle = (low + high) / 2
        if thickness_ratio(geometry, wall_mm, middle) <= ratio:
            low = middle
        else:
            high = middle
    return low
