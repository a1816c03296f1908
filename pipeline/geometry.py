"""Where a point of the pipe's outer surface falls on the panel, and back.

Carriage frame: origin on the pipe's axis, x radial through the panel's centre, y along the scan
direction, z along the pipe. The panel's plane is x = L; its columns run along y, its rows along z.
A ray from the source (xs, ys, zs) through the surface point (R cos φ, R sin φ, z) meets the plane
at the scale t = (L − xs)/(R cos φ − xs): plain central projection. Where the carriage rides higher
or lower as it goes round, L changes with its angle: ``lift_mm`` in what follows.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Values = float | NDArray[np.floating[Any]]
Source = tuple[Values, Values, Values]


class Arrangement(StrEnum):
    """Where the source stands."""

    PANORAMIC = "panoramic"  # inside the pipe, fixed to it
    TWO_WALL = "two_wall"  # outside, opposite the panel, carried round with it


@dataclass(frozen=True, slots=True)
class Panel:
    """The flat panel in its carriage: pixel (0, 0) is a corner, centres lie at integers."""

    rows: int
    columns: int
    pitch_mm: float
    roll_rad: float = 0.0  # about the panel's normal, +y towards +z
    offset_y_mm: float = 0.0
    offset_z_mm: float = 0.0

    def to_pixel(self, u: Values, v: Values) -> tuple[Array, Array]:
        """The (column, row) of the point (u, v) of the panel's plane, mm to pixels."""
        cos, sin = math.cos(self.roll_rad), math.sin(self.roll_rad)
        y, z = np.subtract(u, self.offset_y_mm), np.subtract(v, self.offset_z_mm)
        column = (y * cos + z * sin) / self.pitch_mm + (self.columns - 1) / 2
        row = (z * cos - y * sin) / self.pitch_mm + (self.rows - 1) / 2
        return column, row

    def to_plane(self, column: Values, row: Values) -> tuple[Array, Array]:
        """The point (u, v) in mm of the panel's plane at (column, row)."""
        cos, sin = math.cos(self.roll_rad), math.sin(self.roll_rad)
        a = np.subtract(column, (self.columns - 1) / 2) * self.pitch_mm
        b = np.subtract(row, (self.rows - 1) / 2) * self.pitch_mm
        return a * cos - b * sin + self.offset_y_mm, a * sin + b * cos + self.offset_z_mm


@dataclass(frozen=True, slots=True)
class ScanGeometry:
    """Pipe, stand-off and source. Lengths in mm; ``source_x_mm``, ``source_y_mm`` are how far the
    panoramic source stands off the axis, in the pipe's frame (x through the datum)."""

    radius_mm: float
    standoff_mm: float
    arrangement: Arrangement = Arrangement.PANORAMIC
    source_x_mm: float = 0.0
    source_y_mm: float = 0.0
    source_axial_mm: float = 0.0
    source_distance_mm: float = 0.0  # axis to source, two walls only
    lift_off_mm: tuple[float, ...] = ()
    """How the stand-off varies with the carriage's angle θ, beside its mean ``standoff_mm``: the
    factors of cos θ, sin θ, cos 2θ, sin 2θ, …; none: it doesn't."""

    @property
    def panel_distance_mm(self) -> float:
        """L: from the pipe's axis to the panel's plane."""
        return self.radius_mm + self.standoff_mm

    @property
    def circumference_mm(self) -> float:
        """2πR: once round the outer surface."""
        return 2 * math.pi * self.radius_mm

    def lift_mm(self, theta: Values) -> Values:
        """How much more than ``standoff_mm`` the carriage stands off at the angle ``theta``."""
        if not self.lift_off_mm:
            return 0.0
        waves = lift_waves(theta, len(self.lift_off_mm) // 2)
        return np.asarray(waves @ np.array(self.lift_off_mm))

    def source(self, theta: Values, axial_mm: Values = 0.0) -> Source:
        """The source (xs, ys, zs) as the carriage at the angle ``theta`` (rad) sees it.

        ``axial_mm`` is how far the carriage has wandered along the pipe: a source that stands in
        the pipe then seems to move the other way; one that is carried along doesn't.
        """
        if self.arrangement is Arrangement.TWO_WALL:
            return -self.source_distance_mm, 0.0, self.source_axial_mm
        cos, sin = np.cos(theta), np.sin(theta)
        return (
            self.source_x_mm * cos + self.source_y_mm * sin,
            self.source_y_mm * cos - self.source_x_mm * sin,
            np.subtract(self.source_axial_mm, axial_mm),
        )


def lift_waves(theta: Values, orders: int) -> Array:
    """(…, 2 · orders): cos θ, sin θ, cos 2θ, sin 2θ, … for ``theta`` of any shape, rad."""
    angles = np.asarray(theta, dtype=np.float64)[..., np.newaxis] * np.arange(1, orders + 1)
    waves = np.stack([np.cos(angles), np.sin(angles)], axis=-1)
    return np.asarray(waves.reshape(*waves.shape[:-2], 2 * orders))


def project(
    geometry: ScanGeometry, source: Source, phi: Values, z_mm: Values, lift_mm: Values = 0.0
) -> tuple[Array, Array]:
    """The point (u, v) of the panel's plane, mm, where the surface point (φ, z) is seen.

    φ in rad from the panel's centre; any shapes that broadcast.
    """
    xs, ys, zs = source
    radius = geometry.radius_mm
    scale = (geometry.panel_distance_mm + lift_mm - xs) / (radius * np.cos(phi) - xs)
    u = ys + scale * (radius * np.sin(phi) - ys)
    v = zs + scale * np.subtract(z_mm, zs)
    return np.asarray(u), np.asarray(v)


def unproject(
    geometry: ScanGeometry, source: Source, u: Values, v: Values, lift_mm: Values = 0.0
) -> tuple[Array, Array]:
    """The surface point (φ in rad, z in mm) that is seen at (u, v): the inverse of `project`.

    The ray leaves the pipe at the farther of its two meetings with the cylinder.
    """
    xs, ys, zs = source
    dx = np.subtract(geometry.panel_distance_mm + lift_mm, xs)
    dy = np.subtract(u, ys)
    a = dx * dx + dy * dy
    b = xs * dx + ys * dy
    c = np.square(xs) + np.square(ys) - geometry.radius_mm**2
    ray = (np.sqrt(b * b - a * c) - b) / a
    return np.arctan2(ys + ray * dy, xs + ray * dx), zs + ray * np.subtract(v, zs)


def surface_to_pixel(
    geometry: ScanGeometry,
    panel: Panel,
    position_mm: Values,
    axial_mm: Values,
    s_mm: Values,
    z_mm: Values,
) -> tuple[Array, Array]:
    """The (column, row) at which a frame taken at ``position_mm`` sees the surface point (s, z).

    ``position_mm`` and ``s_mm`` run along the outer surface from the datum.
    """
    theta = np.divide(position_mm, geometry.radius_mm)
    source, lift = geometry.source(theta, axial_mm), geometry.lift_mm(theta)
    phi = np.subtract(s_mm, position_mm) / geometry.radius_mm
    return panel.to_pixel(*project(geometry, source, phi, np.subtract(z_mm, axial_mm), lift))


def pixel_to_surface(
    geometry: ScanGeometry,
    panel: Panel,
    position_mm: Values,
    axial_mm: Values,
    column: Values,
    row: Values,
) -> tuple[Array, Array]:
    """The surface point (s, z), mm, that a frame sees at (column, row)."""
    theta = np.divide(position_mm, geometry.radius_mm)
    source, lift = geometry.source(theta, axial_mm), geometry.lift_mm(theta)
    phi, z = unproject(geometry, source, *panel.to_plane(column, row), lift)
    return position_mm + geometry.radius_mm * phi, z + axial_mm


def relative_flux(
    geometry: ScanGeometry, source: Source, u: Values, v: Values, lift_mm: Values = 0.0
) -> Array:
    """Photons per panel area at (u, v), relative to the panel's centre with the nominal source.

    Inverse square and obliquity of a point source over a plane: (L − xs)/d³; no heel, no path.
    """
    xs, ys, zs = source
    height = np.subtract(geometry.panel_distance_mm + lift_mm, xs)
    distance_sq = height**2 + np.subtract(u, ys) ** 2 + np.subtract(v, zs) ** 2
    nominal = geometry.panel_distance_mm
    if geometry.arrangement is Arrangement.TWO_WALL:
        nominal += geometry.source_distance_mm
    return np.asarray(height * nominal**2 / distance_sq**1.5)
