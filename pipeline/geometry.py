"""Where a point of the pipe's outer surface falls on the panel, and back.

Carriage frame: origin on the pipe's axis, x radial through the panel's centre, y along the scan
direction, z along the pipe. The panel's centre lies in the plane x = L, and but for its tilts the
whole panel does; its columns run along y, its rows along z. A ray from the source (xs, ys, zs)
through the surface point (R cos φ, R sin φ, z) meets the plane at the scale
t = (L − xs)/(R cos φ − xs): plain central projection; a tilted panel it meets a little before or
after. Where the carriage rides higher or lower as it goes round, L changes with its angle:
``lift_mm`` in what follows.
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
    """The flat panel in its carriage: pixel (0, 0) is a corner, centres lie at integers.

    It is turned about its centre: rolled on a plate that was pitched and then, with its line along
    the scan, yawed.
    """

    rows: int
    columns: int
    pitch_mm: float
    roll_rad: float = 0.0  # about the panel's normal, +y towards +z
    offset_y_mm: float = 0.0
    offset_z_mm: float = 0.0
    yaw_rad: float = 0.0  # about its line along the pipe, the +y side away from the pipe
    pitch_rad: float = 0.0  # about its line along the scan, the +z side away from the pipe

    @property
    def axes(self) -> Array:
        """(3, 3): unit vectors (x, y, z) along its columns, along its rows, and out of it."""
        cos_r, sin_r = math.cos(self.roll_rad), math.sin(self.roll_rad)
        cos_y, sin_y = math.cos(self.yaw_rad), math.sin(self.yaw_rad)
        cos_p, sin_p = math.cos(self.pitch_rad), math.sin(self.pitch_rad)
        along = np.array([sin_y, cos_y, 0.0])
        across = np.array([sin_p * cos_y, -sin_p * sin_y, cos_p])
        out = np.array([cos_p * cos_y, -cos_p * sin_y, -sin_p])
        return np.stack([along * cos_r + across * sin_r, across * cos_r - along * sin_r, out])

    def to_pixel(self, u: Values, v: Values) -> tuple[Array, Array]:
        """The (column, row) of the panel's point at y = ``u``, z = ``v``, mm to pixels."""
        (_, c_y, c_z), (_, r_y, r_z), (n_x, _, _) = self.axes
        y, z = np.subtract(u, self.offset_y_mm), np.subtract(v, self.offset_z_mm)
        column = (y * r_z - z * r_y) / (n_x * self.pitch_mm) + (self.columns - 1) / 2
        row = (z * c_y - y * c_z) / (n_x * self.pitch_mm) + (self.rows - 1) / 2
        return column, row

    def to_plane(self, column: Values, row: Values) -> tuple[Array, Array]:
        """Where the panel's (column, row) lies, y and z in mm."""
        a, b = self._from_centre(column, row)
        (_, c_y, c_z), (_, r_y, r_z), _ = self.axes
        return a * c_y + b * r_y + self.offset_y_mm, a * c_z + b * r_z + self.offset_z_mm

    def beyond_mm(self, column: Values, row: Values) -> Array:
        """How far beyond the plane through its centre the panel's (column, row) lies."""
        a, b = self._from_centre(column, row)
        (c_x, _, _), (r_x, _, _), _ = self.axes
        return np.asarray(a * c_x + b * r_x)

    def _from_centre(self, column: Values, row: Values) -> tuple[Array, Array]:
        a = np.subtract(column, (self.columns - 1) / 2) * self.pitch_mm
        b = np.subtract(row, (self.rows - 1) / 2) * self.pitch_mm
        return a, b


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
    """The point (u, v) of the plane through the panel's centre, square to the radius, mm, where
    the surface point (φ, z) is seen.

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

    The ray leaves the pipe at the farther of its two meetings with the cylinder. For a point of a
    tilted panel ``lift_mm`` holds how far that lies `Panel.beyond_mm` too.
    """
    xs, ys, zs = source
    dx = np.subtract(np.add(geometry.panel_distance_mm, lift_mm), xs)
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
    u, v = project(geometry, source, phi, np.subtract(z_mm, axial_mm), lift)
    share = share_of_ray(geometry, panel, source, u, v, lift)
    return panel.to_pixel(*along_ray(source, u, v, share))


def share_of_ray(
    geometry: ScanGeometry,
    panel: Panel,
    source: Source,
    u: Values,
    v: Values,
    lift_mm: Values = 0.0,
) -> Array:
    """Which part of the way from the source to the point (u, v) of `project` a ray has gone when
    it meets the panel: 1 without tilts, but for rounding."""
    xs, ys, zs = source
    n_x, n_y, n_z = panel.axes[2]
    y, z = panel.offset_y_mm, panel.offset_z_mm
    away = n_x * np.subtract(np.add(geometry.panel_distance_mm, lift_mm), xs)
    away = away + n_y * np.subtract(y, ys) + n_z * np.subtract(z, zs)
    return np.asarray(away / (away + n_y * np.subtract(u, y) + n_z * np.subtract(v, z)))


def along_ray(source: Source, u: Values, v: Values, share: Values) -> tuple[Array, Array]:
    """The y and z of the point at the ``share`` of the way from the source to (u, v)."""
    _, ys, zs = source
    y = np.add(ys, share * np.subtract(u, ys))
    return np.asarray(y), np.asarray(np.add(zs, share * np.subtract(v, zs)))


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
    lift = np.add(lift, panel.beyond_mm(column, row))
    phi, z = unproject(geometry, source, *panel.to_plane(column, row), lift)
    return position_mm + geometry.radius_mm * phi, z + axial_mm


def relative_flux(
    geometry: ScanGeometry,
    source: Source,
    u: Values,
    v: Values,
    lift_mm: Values = 0.0,
    normal: Array | None = None,
) -> Array:
    """Photons per panel area at (u, v), relative to the panel's centre with the nominal source.

    Inverse square and obliquity of a point source over a plane: (L − xs)/d³; no heel, no path.
    ``normal`` (x, y, z) of a tilted panel, whose `Panel.beyond_mm` ``lift_mm`` then holds too.
    """
    xs, ys, zs = source
    height = np.subtract(np.add(geometry.panel_distance_mm, lift_mm), xs)
    y, z = np.subtract(u, ys), np.subtract(v, zs)
    distance_sq = height**2 + y**2 + z**2
    if normal is not None:
        height = height * normal[0] + y * normal[1] + z * normal[2]
    nominal = geometry.panel_distance_mm
    if geometry.arrangement is Arrangement.TWO_WALL:
        nominal += geometry.source_distance_mm
    return np.asarray(height * nominal**2 / distance_sq**1.5)
