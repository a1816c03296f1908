"""Where rays leave a tube and how far they run in its wall, beside a ray tracer over triangles.

Sources: trimesh with Embree's ray casting (embreex): the tube is a mesh of flat facets that knows
nothing of cylinders. And for a ray across a tube at the distance p from its axis, any textbook's
chord: 2 (√(R² − p²) − √(r² − p²)).
"""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
import trimesh
from trimesh.ray.ray_pyembree import RayMeshIntersector

from pipeline.geometry import Arrangement, Panel, ScanGeometry, pixel_to_surface
from pipeline.simulation.exposure import wall_path

RADIUS_MM, WALL_MM, PANEL_MM = 57.15, 6.0, 0.1
FACETS = 4096
# A chord lies R (1 − cos(π/4096)) = 2e-5 mm inside the circle; Embree computes in single
# precision, 6e-8 of some hundred millimetres a few times over.
SAME_MM = 2e-4

SCANS = {
    "source on the axis": ScanGeometry(RADIUS_MM, 10.0),
    "source off the axis": ScanGeometry(
        RADIUS_MM, 10.0, source_x_mm=3.0, source_y_mm=-2.0, source_axial_mm=4.0
    ),
    "two walls": ScanGeometry(RADIUS_MM, 10.0, Arrangement.TWO_WALL, source_distance_mm=300.0),
}
EVERY_SCAN = pytest.mark.parametrize("scan", SCANS.values(), ids=SCANS)
PANEL = Panel(300, 360, PANEL_MM, roll_rad=0.01)
POSITION_MM, AXIAL_MM = 80.0, 0.4


@cache
def tube() -> RayMeshIntersector:
    """The pipe of the scans above as triangles, 200 mm long."""
    mesh = trimesh.creation.annulus(
        r_min=RADIUS_MM - WALL_MM, r_max=RADIUS_MM, height=200.0, sections=FACETS
    )
    return RayMeshIntersector(mesh, scale_to_box=False)


def crossings(scan: ScanGeometry, column: np.ndarray, row: np.ndarray) -> list[np.ndarray]:
    """Where each pixel's ray meets the mesh, (hits, 3) from the source on, in the pipe's frame."""
    turn = POSITION_MM / RADIUS_MM
    out = np.array([np.cos(turn), np.sin(turn), 0.0])
    along, axis = np.array([-out[1], out[0], 0.0]), np.array([0.0, 0.0, 1.0])
    u, v = PANEL.to_plane(column, row)
    pixel = (RADIUS_MM + scan.standoff_mm) * out + np.outer(u, along) + np.outer(v + AXIAL_MM, axis)
    if scan.arrangement is Arrangement.TWO_WALL:
        source = -scan.source_distance_mm * out + (scan.source_axial_mm + AXIAL_MM) * axis
    else:
        source = np.array([scan.source_x_mm, scan.source_y_mm, scan.source_axial_mm])
    ray = pixel - source
    where, which, _ = tube().intersects_location(
        np.broadcast_to(source, ray.shape), ray / np.linalg.norm(ray, axis=1, keepdims=True)
    )
    found = []
    for k in range(len(ray)):
        mine = where[which == k]
        found.append(mine[np.argsort(np.linalg.norm(mine - source, axis=1))])
    return found


def some_pixels() -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(6)
    return rng.uniform(0, PANEL.columns - 1, 200), rng.uniform(0, PANEL.rows - 1, 200)


@EVERY_SCAN
def test_a_pixel_sees_the_place_where_its_ray_leaves_the_mesh(scan: ScanGeometry) -> None:
    column, row = some_pixels()
    last = np.array([hits[-1] for hits in crossings(scan, column, row)])
    s, z = pixel_to_surface(scan, PANEL, POSITION_MM, AXIAL_MM, column, row)
    turn = 2 * np.pi * RADIUS_MM
    ds = s - RADIUS_MM * np.arctan2(last[:, 1], last[:, 0])
    assert np.abs(ds - turn * np.rint(ds / turn)).max() < SAME_MM
    assert np.abs(z - last[:, 2]).max() < SAME_MM


@EVERY_SCAN
def test_the_way_through_the_wall_is_that_between_the_meshs_surfaces(scan: ScanGeometry) -> None:
    column, row = some_pixels()
    hits = crossings(scan, column, row)
    assert {len(one) for one in hits} == {4 if scan.arrangement is Arrangement.TWO_WALL else 2}
    theirs = np.array([np.linalg.norm(one[-1] - one[-2]) for one in hits])
    s, z = pixel_to_surface(scan, PANEL, POSITION_MM, AXIAL_MM, column, row)
    source = scan.source(POSITION_MM / RADIUS_MM, AXIAL_MM)
    phi = (s - POSITION_MM) / RADIUS_MM
    ours = WALL_MM * wall_path(scan, source, phi, z - AXIAL_MM, WALL_MM)
    assert np.abs(ours - theirs).max() < 2 * SAME_MM  # two surfaces


@pytest.mark.parametrize("p_mm", [0.0, 10.0, 40.0, 51.0])
def test_the_chord_across_the_tube_is_the_textbooks(p_mm: float) -> None:
    """Both walls of a ray at the distance p from the axis; ours is one wall, twice."""
    distance = 300.0
    scan = ScanGeometry(RADIUS_MM, 10.0, Arrangement.TWO_WALL, source_distance_mm=distance)
    # The ray from (−300, 0) that passes the axis at p leaves the circle at this angle.
    slope = np.arcsin(p_mm / distance)
    phi = np.arcsin(p_mm / RADIUS_MM) + slope
    inner = RADIUS_MM - WALL_MM
    chord = 2 * (np.sqrt(RADIUS_MM**2 - p_mm**2) - np.sqrt(inner**2 - p_mm**2))
    ours = 2 * WALL_MM * float(wall_path(scan, scan.source(0.0), phi, 0.0, WALL_MM))
    assert ours == pytest.approx(chord, rel=1e-9)
