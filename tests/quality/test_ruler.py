"""What an uncertain source, stand-off and roll do to the ruler: against rays and many draws.

That the adjustment's sigmas are true to its errors is checked in tests/stages/test_adjustment.py.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from pipeline.geometry import (
    Arrangement,
    Panel,
    ScanGeometry,
    pixel_to_surface,
    project,
    surface_to_pixel,
)
from pipeline.quality.ruler import place_slopes, ruler_sigma_mm

PIPE = ScanGeometry(161.95, 10.0, source_x_mm=3.0, source_y_mm=-4.0)
PANEL = Panel(320, 384, 0.1, roll_rad=0.004)
REACH = (-16.0, 16.0)
AXIAL = (-14.0, 14.0)
TWO_WALL = ScanGeometry(109.55, 10.0, Arrangement.TWO_WALL, source_distance_mm=400.0)


def grid(panel: Panel) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Positions round a pipe, columns and rows all over the panel."""
    return (
        np.linspace(0, 1000, 7)[:, np.newaxis, np.newaxis],
        np.linspace(5, panel.columns - 6, 5)[:, np.newaxis],
        np.linspace(5, panel.rows - 6, 3),
    )


def test_slopes_with_the_source_are_the_rays() -> None:
    """The ray turns about the pixel: the place moves by what the source moves across the ray, times
    the pixel's distances from place and source, p / q, over the cosine at which it leaves."""
    position, column, row = grid(PANEL)
    slopes = place_slopes(PIPE, PANEL, position, column, row)
    s, _ = pixel_to_surface(PIPE, PANEL, position, 0.0, column, row)
    theta = position / PIPE.radius_mm
    phi = (s - position) / PIPE.radius_mm
    xs, ys, _ = PIPE.source(theta)
    u, _ = PANEL.to_plane(column, row)
    ray = np.arctan2(u - ys, PIPE.panel_distance_mm - xs)
    from_source = np.hypot(PIPE.panel_distance_mm - xs, u - ys)
    from_place = np.hypot(
        PIPE.panel_distance_mm - PIPE.radius_mm * np.cos(phi), u - PIPE.radius_mm * np.sin(phi)
    )
    lever = from_place / from_source / np.cos(ray - phi)
    # Central differences of 1e-3 mm of lengths of 1,000 mm in float64: 1e-10; their curvature 1e-9.
    np.testing.assert_allclose(slopes[..., 0], -lever * np.sin(theta + ray), atol=1e-8)
    np.testing.assert_allclose(slopes[..., 1], lever * np.cos(theta + ray), atol=1e-8)


def test_the_slope_with_the_roll_is_the_row_and_the_scale() -> None:
    """Turned by a little, a pixel goes across by its row; R/L of that is the place's way."""
    axis = replace(PIPE, source_x_mm=0.0, source_y_mm=0.0)
    rows = np.array([0.0, 159.5, 300.0])
    slopes = place_slopes(axis, replace(PANEL, roll_rad=0.0), np.zeros(3), np.full(3, 191.5), rows)
    scale = axis.radius_mm / axis.panel_distance_mm
    np.testing.assert_allclose(slopes[:, 2], -(rows - 159.5) * 0.1 * scale, atol=1e-6)


def test_the_slope_with_the_stand_off_is_the_panel_angle() -> None:
    """tan φ = u / L: a panel further out by δ shows the place R sin φ cos φ δ / L nearer."""
    axis = replace(PIPE, source_x_mm=0.0, source_y_mm=0.0)
    column = np.array([0.0, 100.0, 191.5, 383.0])
    slopes = place_slopes(axis, replace(PANEL, roll_rad=0.0), np.zeros(4), column, 159.5)
    phi = np.arctan((column - 191.5) * 0.1 / axis.panel_distance_mm)
    expected = -axis.radius_mm * np.sin(phi) * np.cos(phi) / axis.panel_distance_mm
    np.testing.assert_allclose(slopes[:, 3], expected, atol=1e-8)


def test_frames_that_see_a_place_agree_about_it_whatever_the_source() -> None:
    """Why no overlap shows it: the whole panel's lever changes by few per cent between frames."""
    s = np.full(5, 200.0)
    position = s + np.linspace(-12, 12, 5)
    column, row = surface_to_pixel(PIPE, PANEL, position, 0.0, s, 0.0)
    slopes = place_slopes(PIPE, PANEL, position, column, row)
    assert np.abs(slopes[:, :2]).max() > 0.05
    assert np.ptp(slopes[:, :2], axis=0).max() < 0.003


@pytest.mark.parametrize("geometry", [PIPE, TWO_WALL, ScanGeometry(57.15, 10.0)])
@pytest.mark.parametrize(
    ("source", "roll_deg", "standoff_mm"),
    [((0.6, 0.2), 0.0, 0.0), ((0, 0), 0.1, 0.0), ((0, 0), 0.0, 0.3), ((0.3, 1), 0.1, 0.2)],
)
def test_sigma_is_the_scatter_of_the_worst_place(
    geometry: ScanGeometry, source: tuple[float, float], roll_deg: float, standoff_mm: float
) -> None:
    position = np.linspace(0, 240, 9)
    told = ruler_sigma_mm(
        geometry,
        PANEL,
        position,
        reach_mm=REACH,
        axial_mm=AXIAL,
        source_sigma_mm=source,
        roll_sigma_rad=math.radians(roll_deg),
        standoff_sigma_mm=standoff_mm,
    )
    rng = np.random.default_rng(5)
    at = position[:, np.newaxis, np.newaxis]
    s = at + np.linspace(*REACH, 5)[:, np.newaxis]
    column, row = surface_to_pixel(geometry, PANEL, at, 0.0, s, np.array(AXIAL))
    places = []
    for _ in range(400):
        x, y, roll, standoff = rng.standard_normal(4) * [
            *source,
            math.radians(roll_deg),
            standoff_mm,
        ]
        really = replace(
            geometry,
            source_x_mm=geometry.source_x_mm + x,
            source_y_mm=geometry.source_y_mm + y,
            standoff_mm=geometry.standoff_mm + standoff,
        )
        turned = replace(PANEL, roll_rad=PANEL.roll_rad + roll)
        places.append(pixel_to_surface(really, turned, at, 0.0, column, row)[0])
    scatter = np.std(places, axis=0).max()
    # A standard deviation of 400 draws is good to 1/sqrt(800) = 3.5 %; three of these, and the
    # largest of places of almost equal deviation leans to the upper side.
    assert told == pytest.approx(scatter, rel=0.11, abs=1e-12)


def test_an_uncertain_source_counts_by_the_stand_off() -> None:
    """Right under the source: the gap over the distance from source to panel."""
    axis = ScanGeometry(100.0, 25.0)
    told = ruler_sigma_mm(
        axis,
        Panel(101, 101, 0.1),
        np.zeros(1),
        reach_mm=(-1e-6, 1e-6),
        axial_mm=(0.0, 0.0),
        source_sigma_mm=(0.0, 0.5),
        roll_sigma_rad=0.0,
        standoff_sigma_mm=0.0,
    )
    assert told == pytest.approx(0.5 * 25 / 125, rel=1e-6)


def test_a_source_carried_round_has_no_place_to_be_uncertain_of() -> None:
    told = ruler_sigma_mm(
        TWO_WALL,
        PANEL,
        np.array([0.0, 300.0]),
        reach_mm=REACH,
        axial_mm=AXIAL,
        source_sigma_mm=(5.0, 5.0),
        roll_sigma_rad=0.0,
        standoff_sigma_mm=0.0,
    )
    assert told == 0.0


def test_a_ray_that_misses_the_pipe_gives_no_figure() -> None:
    thin = replace(TWO_WALL, radius_mm=20.0)
    u, _ = project(thin, thin.source(0.0), 0.0, 0.0)
    slopes = place_slopes(thin, Panel(101, 2001, 0.1), u, np.array([1000.0, 2000.0]), 50.0)
    assert np.isfinite(slopes[0]).all() and np.isnan(slopes[1, 2])
