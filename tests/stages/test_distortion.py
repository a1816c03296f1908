"""The separable map of a frame against the projection of single points."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.geometry import Arrangement, Panel, ScanGeometry, pixel_to_surface, surface_to_pixel
from pipeline.kernels.resample import BEND, C0, PLACES, R0, SLOPE, STEP
from pipeline.model import StripGrid
from pipeline.stages.distortion import Distortion

PANORAMIC = st.builds(
    ScanGeometry,
    radius_mm=st.floats(50, 600),
    standoff_mm=st.floats(3, 60),
    source_x_mm=st.floats(-8, 8),
    source_y_mm=st.floats(-8, 8),
    source_axial_mm=st.floats(-10, 10),
)
TWO_WALL = st.builds(
    ScanGeometry,
    radius_mm=st.floats(100, 300),  # its shadow is wider than any of the panels
    standoff_mm=st.floats(3, 60),
    arrangement=st.just(Arrangement.TWO_WALL),
    source_axial_mm=st.floats(-10, 10),
    source_distance_mm=st.floats(310, 900),
)
PANELS = st.builds(
    Panel,
    rows=st.integers(200, 1200),
    columns=st.integers(200, 1600),
    pitch_mm=st.just(0.1),
    roll_rad=st.floats(-0.02, 0.02),
    offset_y_mm=st.floats(-2, 2),
    offset_z_mm=st.floats(-2, 2),
    yaw_rad=st.floats(-0.03, 0.03) | st.just(0.0),
    pitch_rad=st.floats(-0.03, 0.03) | st.just(0.0),
)


@given(PANORAMIC | TWO_WALL, PANELS, st.floats(-300, 4000), st.floats(-3, 3), st.booleans())
@settings(max_examples=120, deadline=None, derandomize=True)
def test_every_column_and_row_lies_where_the_rays_fall(
    geometry: ScanGeometry, panel: Panel, position: float, axial: float, ring: bool
) -> None:
    pitch = geometry.circumference_mm / round(geometry.circumference_mm / 0.1)
    grid = StripGrid(401, 2000, pitch, 0.0 if ring else -37.3, -200 * pitch, ring)
    placed = Distortion().map_frame(geometry, panel, grid, position, axial)
    assert placed.table.dtype == np.float32 and placed.table.shape == (PLACES, placed.columns)
    s = grid.s_first_mm + (placed.first + np.arange(placed.columns)) * pitch
    z = grid.z_first_mm + np.arange(grid.rows)[:, np.newaxis] * pitch
    column, row = surface_to_pixel(geometry, panel, position, axial, s, z)
    table = placed.table
    at = np.arange(grid.rows, dtype=np.float32)[:, np.newaxis]
    found_row = table[R0] + at * table[STEP] / (1 + table[BEND] * at)
    found_column = table[C0] + table[SLOPE] * found_row
    # float32 of up to 2,000 is good to 6e-5, of a step of 1 over 400 rows to 2.4e-5.
    assert np.abs(found_row - row).max() < 1e-3
    assert np.abs(found_column - column).max() < 1e-3


@given(PANORAMIC, PANELS)
@settings(max_examples=40, deadline=None, derandomize=True)
def test_what_a_frame_is_used_for_ends_before_the_panel_does(
    geometry: ScanGeometry, panel: Panel
) -> None:
    stage = Distortion(edge_px=10)
    low, high = stage.reach_mm(geometry, panel)
    limit = math.radians(35) * geometry.radius_mm + 1e-9
    assert -limit <= low < 0 < high <= limit
    column, _ = surface_to_pixel(geometry, panel, 0.0, 0.0, np.array([low, high]), 0.0)
    # 13 px inside at the middle row; the roll moves the strip's middle row off the panel's by the
    # offsets and the source's axial place (some 12 mm, times the roll): 3 px.
    assert (column > 13 - 4).all() and (column < panel.columns - 1 - 13 + 4).all()


@pytest.mark.parametrize("edge_px", [0, 4, 50])
def test_edge_px_narrows_reach_and_height(edge_px: int) -> None:
    geometry, panel, stage = (
        ScanGeometry(300, 10),
        Panel(600, 800, 0.1),
        Distortion(edge_px=edge_px),
    )
    low, high = stage.reach_mm(geometry, panel)
    columns, _ = surface_to_pixel(geometry, panel, 0.0, 0.0, np.array([low, high]), 0.0)
    np.testing.assert_allclose(columns, [edge_px + 3, 796 - edge_px], atol=1e-9)
    for s in (0.0, high):
        z = stage.height_mm(geometry, panel, s)
        _, row = surface_to_pixel(geometry, panel, 0.0, 0.0, s, np.array([-z, z]))
        np.testing.assert_allclose(row, [edge_px + 3, 596 - edge_px], atol=1e-9)


@pytest.mark.parametrize("max_angle_deg", [5.0, 10.0, 35.0])
def test_max_angle_cuts_what_is_seen_too_obliquely(max_angle_deg: float) -> None:
    geometry, panel = ScanGeometry(57.15, 10), Panel(600, 1600, 0.1)
    low, high = Distortion(max_angle_deg=max_angle_deg).reach_mm(geometry, panel)
    assert np.degrees(high / 57.15) == pytest.approx(max_angle_deg)
    assert low == -high


@given(PANORAMIC, PANELS, st.floats(-300, 4000))
@settings(max_examples=60, deadline=None, derandomize=True)
def test_every_frame_is_used_for_what_it_sees_from_where_it_stands(
    geometry: ScanGeometry, panel: Panel, position: float
) -> None:
    stage = Distortion(max_angle_deg=60)
    low, high = stage.reach_mm(geometry, panel, position)
    ends = position + np.array([low, high])
    # Seven pixels of border at the middle row.
    rows = np.array([(panel.rows - 1) / 2] * 2)
    columns = np.array([7, panel.columns - 8.0])
    s, _ = pixel_to_surface(geometry, panel, position, 0.0, columns, rows)
    np.testing.assert_allclose(ends, s, atol=1e-9)


def test_the_map_begins_and_ends_inside_the_reach() -> None:
    geometry, panel, stage = ScanGeometry(100, 10), Panel(200, 300, 0.1), Distortion()
    low, high = stage.reach_mm(geometry, panel)
    grid = StripGrid(101, 6283, 0.1, 0.0, -5.0, True)
    for position in (-20.0, 0.0, 0.03, 3.0, 620.0, 640.0):
        placed = stage.map_frame(geometry, panel, grid, position, 0.0)
        first, last = placed.first * 0.1, (placed.first + placed.columns - 1) * 0.1
        assert position + low <= first + 1e-9 and last <= position + high + 1e-9
        assert first - 0.1 < position + low and last + 0.1 > position + high
        s, _ = pixel_to_surface(
            geometry, panel, position, 0.0, panel.to_pixel(placed.u_mm, 0.0)[0], 99.5
        )
        np.testing.assert_allclose(s, (placed.first + np.arange(placed.columns)) * 0.1, atol=1e-9)


@pytest.mark.parametrize(
    ("name", "value"), [("max_angle_deg", 0), ("max_angle_deg", 61), ("edge_px", -1)]
)
def test_parameters_have_their_bounds(name: str, value: float) -> None:
    with pytest.raises(ValueError, match=name):
        Distortion(**{name: value})


def test_a_panel_wider_than_the_pipes_shadow_is_used_as_far_as_the_pipe_goes() -> None:
    """Two walls: the outer columns' rays pass the pipe by."""
    geometry = ScanGeometry(57.15, 10, Arrangement.TWO_WALL, source_distance_mm=400.0)
    low, high = Distortion().reach_mm(geometry, Panel(300, 1536, 0.1))
    limit = math.radians(35) * 57.15
    assert (low, high) == pytest.approx((-limit, limit))
