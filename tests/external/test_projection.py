"""The projection equations against rays traced numerically in the pipe's own frame.

Written from the drawing, not from geometry.py: points, a plane and a cylinder in the fixed frame
of the pipe; where a ray meets them is found by scipy's root finding (Brent's method).
"""

from __future__ import annotations

import math
from itertools import product

import numpy as np
import pytest
from scipy.optimize import brentq
from scipy.spatial.transform import Rotation

from pipeline.geometry import (
    Arrangement,
    Panel,
    ScanGeometry,
    pixel_to_surface,
    relative_flux,
    surface_to_pixel,
)

AXIS = np.array([0.0, 0.0, 1.0])

SCANS = {
    "source on the axis": ScanGeometry(304.8, 10.0),
    "source off the axis": ScanGeometry(
        304.8, 10.0, source_x_mm=-6.4, source_y_mm=4.8, source_axial_mm=3.0
    ),
    "small pipe": ScanGeometry(57.15, 12.0, source_x_mm=1.0, source_y_mm=2.0),
    "two walls": ScanGeometry(
        57.15, 10.0, Arrangement.TWO_WALL, source_axial_mm=-2.0, source_distance_mm=300.0
    ),
}
PANELS = {
    "straight": Panel(1152, 1536, 0.1),
    "rolled and shifted": Panel(
        320, 384, 0.1, roll_rad=math.radians(0.7), offset_y_mm=0.8, offset_z_mm=-1.3
    ),
    "yawed": Panel(320, 384, 0.1, yaw_rad=math.radians(2)),
    "pitched": Panel(320, 384, 0.1, pitch_rad=math.radians(-1.5)),
    "turned all ways": Panel(
        320, 384, 0.1, math.radians(-0.7), 0.8, -1.3, math.radians(-1.1), math.radians(0.9)
    ),
}


class TracedScan:
    """A carriage standing at one place, in the pipe's frame."""

    def __init__(
        self, scan: ScanGeometry, panel: Panel, position_mm: float, axial_mm: float
    ) -> None:
        angle = position_mm / scan.radius_mm
        out = np.array([math.cos(angle), math.sin(angle), 0.0])
        along = np.array([-math.sin(angle), math.cos(angle), 0.0])
        self.radius = scan.radius_mm
        self.centre = (
            (scan.radius_mm + scan.standoff_mm) * out
            + panel.offset_y_mm * along
            + (axial_mm + panel.offset_z_mm) * AXIS
        )
        # Turned as a gimbal turns: about the line along the pipe, about the panel's own line along
        # the scan, about the panel's own normal; by the right-hand rule, plus being the sense told
        # in geometry.py. Source: scipy's rotation by a vector.
        yaw = Rotation.from_rotvec(-panel.yaw_rad * AXIS)
        columns, normal = yaw.apply([along, out])
        pitch = Rotation.from_rotvec(panel.pitch_rad * columns)
        rows, normal = pitch.apply([AXIS, normal])
        roll = Rotation.from_rotvec(panel.roll_rad * normal)
        self.columns_run, self.rows_run, self.normal = roll.apply([columns, rows, normal])
        self.panel = panel
        if scan.arrangement is Arrangement.TWO_WALL:  # carried along with the panel
            self.source = -scan.source_distance_mm * out + (scan.source_axial_mm + axial_mm) * AXIS
        else:  # standing in the pipe
            self.source = np.array([scan.source_x_mm, scan.source_y_mm, scan.source_axial_mm])

    def pixel_point(self, column: float, row: float) -> np.ndarray:
        middle = np.array([(self.panel.columns - 1) / 2, (self.panel.rows - 1) / 2])
        a, b = (np.array([column, row]) - middle) * self.panel.pitch_mm
        return self.centre + a * self.columns_run + b * self.rows_run

    def seen_at(self, s_mm: float, z_mm: float) -> tuple[float, float]:
        """The pixel where the ray through a surface point meets the panel."""
        angle = s_mm / self.radius
        point = np.array([self.radius * math.cos(angle), self.radius * math.sin(angle), z_mm])
        ray = point - self.source

        def height(scale: float) -> float:
            return float((self.source + scale * ray - self.centre) @ self.normal)

        hit = self.source + brentq(height, 0.0, 10.0, xtol=1e-14) * ray - self.centre
        return (
            hit @ self.columns_run / self.panel.pitch_mm + (self.panel.columns - 1) / 2,
            hit @ self.rows_run / self.panel.pitch_mm + (self.panel.rows - 1) / 2,
        )

    def surface_seen(self, column: float, row: float) -> tuple[float, float]:
        """The surface point on the ray to a pixel, on the panel's side of the pipe."""
        ray = self.pixel_point(column, row) - self.source
        nearest = max(0.0, float(-self.source[:2] @ ray[:2] / (ray[:2] @ ray[:2])))

        def outside(scale: float) -> float:
            return float(np.hypot(*(self.source + scale * ray)[:2]) - self.radius)

        hit = self.source + brentq(outside, nearest, 1.0, xtol=1e-14) * ray
        return math.atan2(hit[1], hit[0]) * self.radius, float(hit[2])


PLACES = list(product((0.0, 123.4, 250.0), (0.0, 0.7)))


@pytest.mark.parametrize("panel", PANELS.values(), ids=PANELS)
@pytest.mark.parametrize("scan", SCANS.values(), ids=SCANS)
def test_surface_points_are_seen_where_their_rays_end(scan: ScanGeometry, panel: Panel) -> None:
    for position, axial in PLACES:
        traced = TracedScan(scan, panel, position, axial)
        for ds, z in product((-12.0, -0.3, 0.0, 9.7), (-11.0, 0.2, 8.0)):
            expected = traced.seen_at(position + ds, z)
            found = surface_to_pixel(scan, panel, position, axial, position + ds, z)
            # Root finding ends at 1e-14 of the ray, some 1e-12 mm: 1e-11 px and rounding.
            assert np.hypot(*np.subtract(found, expected)) < 1e-8


@pytest.mark.parametrize("panel", PANELS.values(), ids=PANELS)
@pytest.mark.parametrize("scan", SCANS.values(), ids=SCANS)
def test_pixels_look_at_the_surface_where_their_rays_leave_the_pipe(
    scan: ScanGeometry, panel: Panel
) -> None:
    for position, axial in PLACES:
        traced = TracedScan(scan, panel, position, axial)
        columns = (panel.columns - 1) / 2 + np.array([-180.0, 0.0, 33.3, 190.0])
        for column, row in product(columns, (0.0, panel.rows / 3, panel.rows - 1.0)):
            s, z = traced.surface_seen(column, row)
            found_s, found_z = pixel_to_surface(scan, panel, position, axial, column, row)
            turn = 2 * math.pi * scan.radius_mm
            ds = (found_s - s + turn / 2) % turn - turn / 2  # atan2 knows no turns
            assert math.hypot(ds, found_z - z) < 1e-9  # mm; as above


@pytest.mark.parametrize("panel", [PANELS["straight"], PANELS["turned all ways"]])
@pytest.mark.parametrize("scan", SCANS.values(), ids=SCANS)
def test_flux_is_the_solid_angle_of_a_pixel(scan: ScanGeometry, panel: Panel) -> None:
    """Source: the solid angle of a triangle, van Oosterom and Strackee 1983, *from memory*."""
    position = 123.4
    traced = TracedScan(scan, panel, position, 0.0)
    nominal = ScanGeometry(
        scan.radius_mm,
        scan.standoff_mm,
        scan.arrangement,
        source_distance_mm=scan.source_distance_mm,
    )
    unit = _solid_angle(TracedScan(nominal, PANELS["straight"], position, 0.0), 767.5, 575.5)
    for column, row in product((0.0, 100.0, panel.columns - 1.0), (0.0, panel.rows - 100.0)):
        u, v = panel.to_plane(column, row)
        source, beyond = scan.source(position / scan.radius_mm), panel.beyond_mm(column, row)
        found = relative_flux(scan, source, u, v, beyond, panel.axes[2])
        # A pixel of 0.1 mm at 67 mm or more: its own size changes the angle by (0.1/67)² = 2e-6.
        assert float(found) == pytest.approx(_solid_angle(traced, column, row) / unit, rel=1e-5)


def _solid_angle(traced: TracedScan, column: float, row: float) -> float:
    corners = [
        traced.pixel_point(column + dc, row + dr) - traced.source
        for dc, dr in ((-0.5, -0.5), (0.5, -0.5), (0.5, 0.5), (-0.5, 0.5))
    ]
    total = 0.0
    for a, b, c in ((corners[0], corners[1], corners[2]), (corners[0], corners[2], corners[3])):
        la, lb, lc = (float(np.linalg.norm(x)) for x in (a, b, c))
        below = la * lb * lc + a @ b * lc + a @ c * lb + b @ c * la
        total += 2 * math.atan2(abs(float(a @ np.cross(b, c))), float(below))
    return total
