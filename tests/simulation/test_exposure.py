from __future__ import annotations

import math
from itertools import product

import numpy as np
import pytest
from scipy.ndimage import map_coordinates
from scipy.optimize import brentq

from pipeline.geometry import (
    Arrangement,
    Panel,
    ScanGeometry,
    pixel_to_surface,
    relative_flux,
    surface_to_pixel,
)
from pipeline.simulation.exposure import Beam, blur_and_bin, expose, wall_path
from pipeline.simulation.features import stamp, stroke_through
from pipeline.simulation.scan import Scene
from pipeline.simulation.thickness import empty_map
from pipeline.simulation.truth import strip_grid, true_strip

GEOMETRY = ScanGeometry(57.15, 10.0, source_x_mm=1.0, source_y_mm=-2.0)
PANEL = Panel(200, 260, 0.1, roll_rad=math.radians(0.4))
WEAK = Beam(np.linspace(2, 1, 101, dtype=np.float32), scatter=0.2, blur_px=0.6)
"""A beam whose dose falls straight with thickness, so that centres of mass stay where they are."""


def _dots(points: list[tuple[float, float]]) -> np.ndarray:
    """How much darker the frame gets by small dots at these (s, z)."""
    frames = []
    for dots in (points, []):
        thickness = empty_map(GEOMETRY.circumference_mm, 12.0)
        for point in dots:
            stamp(thickness, stroke_through([point], 0.15, 0.6, rounded=True))
        frames.append(
            expose(thickness, GEOMETRY, PANEL, WEAK, position_mm=358.0, axial_mm=0.23, wall_mm=6.0)
        )
    return np.asarray(frames[1].astype(float) - frames[0])


def test_points_are_seen_within_a_fiftieth_of_a_pixel() -> None:
    """Dots at many sub-pixel places, some across the datum, against the exact projection."""
    rng = np.random.default_rng(5)
    points = [
        (358.0 + s + rng.uniform(-0.05, 0.05), z + rng.uniform(-0.05, 0.05))
        for s, z in product(np.linspace(-9, 9, 9), np.linspace(-7, 7, 6))
    ]
    darker = _dots(points)
    errors = []
    for s, z in points:
        column, row = surface_to_pixel(GEOMETRY, PANEL, 358.0, 0.23, s, z)
        c0, r0 = round(float(column)), round(float(row))
        window = darker[r0 - 7 : r0 + 8, c0 - 7 : c0 + 8]
        r, c = np.mgrid[r0 - 7 : r0 + 8, c0 - 7 : c0 + 8]
        centre = (window * c).sum() / window.sum(), (window * r).sum() / window.sum()
        errors.append((centre[0] - column, centre[1] - row))
    # What the simulation promises; the dots' magnification changes over them by 1e-3 at most.
    assert np.abs(errors).max() < 0.02
    assert np.abs(np.mean(errors, axis=0)).max() < 0.002


def test_an_edge_is_seen_within_a_fiftieth_of_a_pixel() -> None:
    thickness = empty_map(GEOMETRY.circumference_mm, 12.0)
    edge_s, half = 50.317, 5.0
    stamp(
        thickness,
        stroke_through([(edge_s + half, -20), (edge_s + half, 20)], half, 1.0, rounded=False),
    )
    panel = Panel(64, 260, 0.1)
    straight = ScanGeometry(57.15, 10.0)
    frame = expose(thickness, straight, panel, WEAK, position_mm=50.0, axial_mm=0.0, wall_mm=6.0)
    line = frame[32].astype(float) / relative_flux(
        straight, straight.source(0.0), *panel.to_plane(np.arange(260.0), 32.0)
    )
    place = float(surface_to_pixel(straight, panel, 50.0, 0.0, edge_s, 0.0)[0])
    near = slice(int(place) - 12, int(place) + 14)
    low, high = line[near].min(), line[near].max()
    share = (line[near] - low) / (high - low)
    # The area under a step from 1 to 0 is where the step is.
    found = near.start - 0.5 + share.sum()
    assert abs(found - place) < 0.02


def test_path_through_the_wall_is_what_a_traced_ray_runs_in_it() -> None:
    wall, radius = 6.0, 57.15
    for scan in (
        GEOMETRY,
        ScanGeometry(radius, 10.0, Arrangement.TWO_WALL, source_distance_mm=300.0),
    ):
        source = np.array([float(x) for x in scan.source(0.7, 0.4)])
        for phi, z in product((-0.25, 0.0, 0.2), (-9.0, 0.0, 5.0)):
            point = np.array([radius * math.cos(phi), radius * math.sin(phi), z])
            ray = point - source

            def depth(scale: float, source=source, ray=ray) -> float:
                return float(np.hypot(*(source + scale * ray)[:2]) - (radius - wall))

            nearest = max(0.0, -float(source[:2] @ ray[:2]) / float(ray[:2] @ ray[:2]))
            enters = brentq(depth, nearest, 1.0, xtol=1e-14)
            expected = (1 - enters) * np.linalg.norm(ray) / wall
            assert float(wall_path(scan, tuple(source), phi, z, wall)) == pytest.approx(
                expected, rel=1e-10
            )


def test_two_walls_take_twice_the_steel() -> None:
    thickness = empty_map(2 * math.pi * 57.15, 12.0)
    thickness.values[:] = 6.0
    table = np.exp(-0.1 * np.arange(0, 60, 0.05)).astype(np.float32)
    beam = Beam(table, scatter=0.0, blur_px=0.6)
    scan = ScanGeometry(57.15, 10.0, Arrangement.TWO_WALL, source_distance_mm=300.0)
    panel = Panel(65, 65, 0.1)
    frame = expose(thickness, scan, panel, beam, position_mm=3.0, axial_mm=0.0, wall_mm=6.0)
    # µ·t = 0.1 · 12 at the centre, where rays run along the radius; the table's straight pieces
    # are off by (0.1 · 0.05)²/8 = 3e-6, paths within a pixel by less.
    assert frame[32, 32] == pytest.approx(math.exp(-1.2), rel=1e-5)


def test_blur_keeps_the_sum_and_has_its_width() -> None:
    fine = np.zeros((60, 60), dtype=np.float32)
    fine[30:32, 30:32] = 1.0
    image = blur_and_bin(fine, 0.6).astype(float)
    assert image.sum() == pytest.approx(1.0, rel=1e-5)
    offset = np.arange(30) - 15.0
    variance = (image.sum(axis=0) * offset**2).sum() / image.sum()
    # 0.6² of the blur; the one pixel that was lit adds its own fine sampling: (0.25)² before, and
    # binning (0.25)² after. The blur is cut at four deviations: 0.1 % of its variance.
    assert variance == pytest.approx(0.36 + 0.0625 + 0.0625, rel=0.005)


def test_frames_show_the_true_strip(scene: Scene) -> None:
    """Flux divided out, a frame's pixels are the strip's values at the surface they look at."""
    preset, stop = scene.preset, scene.stops[-1]
    strip = true_strip(scene)
    rows, columns, pitch, z_first = strip_grid(scene)
    assert strip.shape == (rows, columns)
    frame = expose(
        scene.thickness,
        preset.geometry,
        preset.panel,
        scene.beam,
        position_mm=stop.position_mm,
        axial_mm=stop.axial_mm,
        wall_mm=preset.shape.wall_mm,
    )
    column, row = np.meshgrid(np.arange(8.0, 376.0), np.arange(40.0, 280.0))
    s, z = pixel_to_surface(
        preset.geometry, preset.panel, stop.position_mm, stop.axial_mm, column, row
    )
    source = preset.geometry.source(stop.position_mm / preset.geometry.radius_mm, stop.axial_mm)
    flux = relative_flux(preset.geometry, source, *preset.panel.to_plane(column, row))
    wrapped = np.concatenate([strip[:, -8:], strip, strip[:, :8]], axis=1).astype(float)

    def look(down: float = 0.0, across: float = 0.0) -> np.ndarray:
        place = [(z - z_first) / pitch + down, (s / pitch) % columns + 8 + across]
        return np.asarray(map_coordinates(wrapped, place, order=5))

    differs = frame[40:280, 8:376] / flux - look()
    # The panel sees the surface 18 % larger, so lead edges differ by the pixel's width; beside
    # them the two agree to the interpolation's error.
    assert np.median(np.abs(differs)) < 5e-4
    gradients = np.stack(
        [
            (look(across=0.5) - look(across=-0.5)).ravel(),
            (look(down=0.5) - look(down=-0.5)).ravel(),
            np.ones(differs.size),
        ],
        axis=1,
    )
    shift = np.linalg.lstsq(gradients, differs.ravel())[0]
    assert np.abs(shift[:2]).max() < 0.005  # px: a quarter of what is promised
