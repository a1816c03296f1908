"""The projection and its inverse: round trips, limits that can be reckoned by hand, symmetry.

That the equations are the rays' is checked in tests/external/test_projection.py.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.geometry import (
    Arrangement,
    Panel,
    ScanGeometry,
    pixel_to_surface,
    project,
    relative_flux,
    surface_to_pixel,
    unproject,
)

PANELS = st.builds(
    Panel,
    rows=st.integers(1, 3000),
    columns=st.integers(1, 3000),
    pitch_mm=st.floats(0.02, 0.4),
    roll_rad=st.floats(-0.1, 0.1),
    offset_y_mm=st.floats(-5, 5),
    offset_z_mm=st.floats(-5, 5),
    yaw_rad=st.floats(-0.05, 0.05),
    pitch_rad=st.floats(-0.05, 0.05),
)
PANORAMIC = st.builds(
    ScanGeometry,
    radius_mm=st.floats(30, 800),
    standoff_mm=st.floats(1, 200),
    source_x_mm=st.floats(-15, 15),
    source_y_mm=st.floats(-15, 15),
    source_axial_mm=st.floats(-20, 20),
)
TWO_WALL = st.builds(
    ScanGeometry,
    radius_mm=st.floats(30, 300),
    standoff_mm=st.floats(1, 100),
    arrangement=st.just(Arrangement.TWO_WALL),
    source_axial_mm=st.floats(-20, 20),
    source_distance_mm=st.floats(310, 1500),
)


@given(PANELS, st.floats(-200, 200), st.floats(-200, 200))
@settings(deadline=None, derandomize=True)
def test_plane_to_pixel_and_back(panel: Panel, u: float, v: float) -> None:
    np.testing.assert_allclose(panel.to_plane(*panel.to_pixel(u, v)), (u, v), atol=1e-9)


@given(PANELS)
@settings(deadline=None, derandomize=True)
def test_the_panels_centre_is_its_middle_pixel(panel: Panel) -> None:
    middle = (panel.columns - 1) / 2, (panel.rows - 1) / 2
    at = panel.to_pixel(panel.offset_y_mm, panel.offset_z_mm)
    np.testing.assert_allclose(at, middle, atol=1e-9)


def test_roll_turns_y_towards_z() -> None:
    panel = Panel(101, 101, 1.0, roll_rad=math.pi / 2)
    # A step along the panel's columns is now a step along z.
    np.testing.assert_allclose(panel.to_plane(51, 50), (0, 1), atol=1e-12)
    np.testing.assert_allclose(panel.to_plane(50, 51), (-1, 0), atol=1e-12)


@given(
    PANORAMIC | TWO_WALL,
    PANELS,
    st.floats(-500, 5000),
    st.floats(-5, 5),
    st.floats(-0.5, 0.5),
    st.floats(-60, 60),
)
@settings(max_examples=200, deadline=None, derandomize=True)
def test_surface_to_pixel_and_back(
    geometry: ScanGeometry,
    panel: Panel,
    position: float,
    axial: float,
    angle: float,
    z: float,
) -> None:
    if geometry.arrangement is Arrangement.TWO_WALL:
        # Further round the surface turns away from a source that stands outside.
        angle *= 0.5
    s = position + angle * geometry.radius_mm
    column, row = surface_to_pixel(geometry, panel, position, axial, s, z)
    found = pixel_to_surface(geometry, panel, position, axial, column, row)
    # Coordinates up to 5,000 mm in float64, through tangents below 1: 1e-9 to spare.
    np.testing.assert_allclose(found, (s, z), atol=1e-8)


def test_source_on_the_axis_is_the_tangent() -> None:
    geometry = ScanGeometry(300.0, 20.0)
    phi = np.linspace(-0.4, 0.4, 9)
    u, v = project(geometry, geometry.source(1.234), phi, 7.0)
    np.testing.assert_allclose(u, 320 * np.tan(phi), rtol=1e-12)
    np.testing.assert_allclose(v, 7.0 * 320 / (300 * np.cos(phi)), rtol=1e-12)


@given(PANORAMIC, st.floats(-7, 7), st.floats(-0.4, 0.4), st.floats(-30, 30))
@settings(deadline=None, derandomize=True)
def test_once_round_is_the_same_picture(
    geometry: ScanGeometry, theta: float, phi: float, z: float
) -> None:
    here = project(geometry, geometry.source(theta), phi, z)
    round_again = project(geometry, geometry.source(theta + 2 * math.pi), phi, z)
    np.testing.assert_allclose(here, round_again, atol=1e-9)
    assert geometry.circumference_mm == pytest.approx(2 * math.pi * geometry.radius_mm)


@given(PANORAMIC, st.floats(-7, 7), st.floats(-3, 3))
@settings(deadline=None, derandomize=True)
def test_a_source_in_the_pipe_stays_where_it_is_while_the_carriage_goes_round(
    geometry: ScanGeometry, theta: float, axial: float
) -> None:
    xs, ys, zs = geometry.source(theta, axial)
    turned = complex(xs, ys) * complex(math.cos(theta), math.sin(theta))
    assert turned.real == pytest.approx(geometry.source_x_mm, abs=1e-9)
    assert turned.imag == pytest.approx(geometry.source_y_mm, abs=1e-9)
    assert zs + axial == pytest.approx(geometry.source_axial_mm, abs=1e-9)


def test_a_source_that_is_carried_along_wanders_with_the_carriage() -> None:
    geometry = ScanGeometry(
        100.0, 10.0, Arrangement.TWO_WALL, source_axial_mm=2.0, source_distance_mm=400.0
    )
    assert geometry.source(0.3, 1.5) == geometry.source(2.1, -4.0) == (-400.0, 0.0, 2.0)


def test_a_ray_beside_the_pipe_meets_no_surface() -> None:
    geometry = ScanGeometry(50.0, 10.0, Arrangement.TWO_WALL, source_distance_mm=400.0)
    with np.errstate(invalid="ignore"):
        phi, z = unproject(geometry, geometry.source(0.0), np.array([0.0, 90.0]), 0.0)
    assert phi[0] == 0 and np.isnan(phi[1]) and np.isnan(z[1])


def test_many_frames_at_once_are_the_same_as_one_by_one() -> None:
    geometry = ScanGeometry(80.0, 10.0, source_x_mm=2.0, source_y_mm=-1.0)
    panel = Panel(200, 300, 0.1, roll_rad=0.01)
    position, axial = np.array([0.0, 55.0, 410.0]), np.array([0.0, 0.4, -0.3])
    column, row = np.array([10.0, 150.0, 280.0]), np.array([3.0, 99.5, 180.0])
    s, z = pixel_to_surface(geometry, panel, position, axial, column, row)
    for k in range(3):
        one = pixel_to_surface(geometry, panel, position[k], axial[k], column[k], row[k])
        assert (s[k], z[k]) == (pytest.approx(one[0]), pytest.approx(one[1]))


@pytest.mark.parametrize(
    "geometry",
    [
        ScanGeometry(100.0, 10.0),
        ScanGeometry(100.0, 10.0, Arrangement.TWO_WALL, source_distance_mm=400.0),
    ],
)
def test_flux_is_one_at_the_centre_and_falls_with_the_cube_of_the_cosine(
    geometry: ScanGeometry,
) -> None:
    source = geometry.source(0.7)
    assert relative_flux(geometry, source, 0.0, 0.0) == pytest.approx(1.0)
    distance = 110.0 if geometry.arrangement is Arrangement.PANORAMIC else 510.0
    for u, v in ((30.0, 0.0), (0.0, 30.0), (20.0, -40.0)):
        cosine = distance / math.hypot(distance, u, v)
        assert relative_flux(geometry, source, u, v) == pytest.approx(cosine**3)


# ---- a stand-off that varies round the ring ------------------------------------------------------


def test_a_lift_off_moves_the_panel_and_nothing_else() -> None:
    """At every angle as if the whole stand-off were what it is there."""
    waves = (0.9, -0.3, 0.2, 0.75)
    uneven = ScanGeometry(304.8, 10.0, source_x_mm=3.0, source_y_mm=-2.0, lift_off_mm=waves)
    panel = Panel(1152, 1536, 0.1, roll_rad=0.005)
    for position in (0.0, 250.0, 1200.0):
        theta = position / 304.8
        lift = (
            0.9 * math.cos(theta)
            - 0.3 * math.sin(theta)
            + 0.2 * math.cos(2 * theta)
            + 0.75 * math.sin(2 * theta)
        )
        assert uneven.lift_mm(theta) == pytest.approx(lift, abs=1e-12)
        even = replace(uneven, standoff_mm=10.0 + lift, lift_off_mm=())
        at = (position, 0.4, 100.0, 900.0)
        np.testing.assert_allclose(
            pixel_to_surface(uneven, panel, *at), pixel_to_surface(even, panel, *at), atol=1e-10
        )
        s, z = pixel_to_surface(uneven, panel, *at)
        np.testing.assert_allclose(
            surface_to_pixel(uneven, panel, position, 0.4, s, z), (100.0, 900.0), atol=1e-7
        )


def test_a_lift_off_is_taken_frame_by_frame() -> None:
    uneven = ScanGeometry(57.15, 10.0, lift_off_mm=(0.5, 1.0))
    panel = Panel(320, 384, 0.1)
    position, column = np.array([0.0, 90.0, 200.0]), np.array([10.0, 200.0, 370.0])
    together = pixel_to_surface(uneven, panel, position, 0.0, column, 40.0)
    for k in range(3):
        alone = pixel_to_surface(uneven, panel, position[k], 0.0, column[k], 40.0)
        np.testing.assert_allclose(np.array(together)[:, k], alone, atol=1e-12)


def test_further_out_there_is_less_light() -> None:
    axis = ScanGeometry(100.0, 10.0)
    flux = relative_flux(axis, axis.source(0.0), 0.0, 0.0, np.array([0.0, 1.1]))
    np.testing.assert_allclose(flux, [1.0, (110 / 111.1) ** 2], rtol=1e-12)
