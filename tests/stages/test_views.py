"""Views: a frame unrolled about its own centre, at half the panel's resolution."""

from __future__ import annotations

import math

import numpy as np
import pytest

from pipeline.geometry import Panel, ScanGeometry, surface_to_pixel
from pipeline.model import Frame
from pipeline.stages.distortion import Distortion
from pipeline.stages.views import COARSE, REDUCE, make_view, reduced_panel, view_grid
from tests.stages.invented import Metal, frame_of, waves

GEOMETRY = ScanGeometry(60.0, 10.0)


@pytest.mark.parametrize("size", [(240, 320), (241, 321), (240, 321)])
def test_a_reduced_pixel_stands_on_every_second_one(size: tuple[int, int]) -> None:
    panel = Panel(*size, 0.1, offset_y_mm=0.4, roll_rad=0.02)
    small = reduced_panel(panel)
    assert (small.rows, small.columns) == tuple(math.ceil(n / REDUCE) for n in size)
    for row, column in [(0, 0), (17, 40), (small.rows - 1, small.columns - 1)]:
        there = panel.to_plane(REDUCE * column, REDUCE * row)
        np.testing.assert_allclose(small.to_plane(column, row), there, atol=1e-12)


@pytest.mark.parametrize("roll_deg", [0.0, 0.5])
@pytest.mark.parametrize("source_mm", [(0.0, 0.0), (3.0, -2.0)])
def test_the_view_grid_lies_wholly_on_the_panel(
    roll_deg: float, source_mm: tuple[float, float]
) -> None:
    geometry = ScanGeometry(60.0, 10.0, source_x_mm=source_mm[0], source_y_mm=source_mm[1])
    panel = Panel(240, 320, 0.1, roll_rad=math.radians(roll_deg))
    grid = view_grid(geometry, panel, Distortion(), 0.1)
    assert grid.pitch_mm == pytest.approx(0.2) and not grid.ring
    s = grid.s_first_mm + np.array([0, grid.columns - 1]) * grid.pitch_mm
    z = grid.z_first_mm + np.array([[0], [grid.rows - 1]]) * grid.pitch_mm
    column, row = surface_to_pixel(geometry, panel, 0.0, 0.0, s, z)
    # What roll takes is not in the rectangle: 160 and 120 px times the roll.
    slack = 160 * math.radians(roll_deg)
    assert (column >= 4 - slack).all() and (column <= 315 + slack).all()
    assert (row >= 4 - slack).all() and (row <= 235 + slack).all()


@pytest.mark.parametrize("panel", [Panel(240, 320, 0.1), Panel(241, 321, 0.1, roll_rad=0.01)])
def test_a_view_shows_the_surface_where_its_grid_says(panel: Panel) -> None:
    surface = waves(GEOMETRY.circumference_mm)
    grid = view_grid(GEOMETRY, panel, Distortion(), 0.1)
    view = make_view(
        frame_of(surface, GEOMETRY, panel, 0.0, index=5),
        GEOMETRY,
        panel,
        Distortion(),
        grid,
        floor=100.0,
    )
    assert view.frame == 5 and view.grid == grid
    shape = grid.rows, grid.columns
    assert view.logs.shape == view.texture.shape == shape
    assert view.coarse.shape == (shape[0] // COARSE, shape[1] // COARSE)
    s = grid.s_first_mm + np.arange(grid.columns) * grid.pitch_mm
    z = grid.z_first_mm + np.arange(grid.rows)[:, np.newaxis] * grid.pitch_mm
    inner = (slice(6, -6), slice(6, -6))
    # A kernel of variance (0.1 mm)²: 2 (π * 0.1 mm / 4 mm)² = 0.012 of the waves' amplitude of 7 %.
    np.testing.assert_allclose(view.logs[inner], np.log(surface(s, z))[inner], atol=9e-4)


def test_the_same_metal_has_the_same_texture_seen_from_two_places() -> None:
    panel, surface = Panel(240, 320, 0.1), Metal(GEOMETRY.circumference_mm).surface()
    grid = view_grid(GEOMETRY, panel, Distortion(), 0.1)
    moved_px = 30
    views = [
        make_view(
            frame_of(surface, GEOMETRY, panel, position),
            GEOMETRY,
            panel,
            Distortion(),
            grid,
            floor=100.0,
        )
        for position in (20.0, 20.0 + moved_px * grid.pitch_mm)
    ]
    a, b = views[0].texture[:, moved_px:], views[1].texture[:, :-moved_px]
    inner = (slice(12, -12), slice(12, -12))
    # The background at the border differs, since each sees another end: below 3 % of the texture.
    assert np.abs(a[inner] - b[inner]).std() < 0.03 * a[inner].std()


def test_dark_and_flagged_frames_give_finite_views() -> None:
    panel = Panel(240, 320, 0.1)
    grid = view_grid(GEOMETRY, panel, Distortion(), 0.1)
    values = np.full((240, 320), -3.0, np.float32)
    view = make_view(
        Frame(0, values, np.ones(values.shape, np.uint8)),
        GEOMETRY,
        panel,
        Distortion(),
        grid,
        floor=50.0,
    )
    assert np.isfinite(view.logs).all() and np.abs(view.texture).max() < 1e-5
