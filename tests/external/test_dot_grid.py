"""Dots, roll, perspective and bend beside those of a well-known package, on the same pictures.

Source: `discorpy` (Vo, Atwood and Drakopoulos, Optics Express 23 (2015) 32859), which binarises the
picture, takes the centroids of what is left and groups them into lines. The truth is where the
simulation put the dots.
"""

from __future__ import annotations

import warnings
from dataclasses import replace

import numpy as np
import pytest

from pipeline.calibration.dot_grid import DotGrid, measure_dot_grid
from pipeline.calibration.plane_fit import apply_homography
from pipeline.simulation.gauge_plates import DotPlate
from tests.calibration.dot_shots import PITCH_MM, PLATE, SHAPE, shot

with warnings.catch_warnings():  # it imports modules of scipy by their old names
    warnings.simplefilter("ignore", DeprecationWarning)
    from discorpy.prep import preprocessing
    from discorpy.proc import processing


def ours(picture: np.ndarray) -> DotGrid:
    return measure_dot_grid(
        picture, dot_spacing_mm=PLATE.spacing_mm, pitch_mm=PITCH_MM, source_distance_mm=700.0
    )


def theirs(picture: np.ndarray) -> tuple[np.ndarray, np.ndarray, float]:
    """(binary picture of the dots, centroids (column, row), median distance).

    Without its cleaning, which moves every dot by half a pixel (seen here, against the truth).
    """
    binary = preprocessing.binarization(picture.astype(np.float64), denoise=False)
    size, distance = preprocessing.calc_size_distance(binary)
    binary = preprocessing.select_dots_based_size(binary, size)
    centres = preprocessing.get_points_dot_pattern(binary, binarize=False)
    return binary, np.asarray(centres)[:, ::-1], float(distance)


def nearest(places: np.ndarray, to: np.ndarray) -> np.ndarray:
    return np.linalg.norm(places[:, None] - to[None], axis=2).argmin(axis=1)


@pytest.mark.parametrize(
    "plate", [PLATE, replace(PLATE, roll_deg=-4.0, corner_bend_px=1.0)], ids=["plain", "bent"]
)
def test_the_same_dots(plate: DotPlate) -> None:
    picture = shot(plate)
    found = ours(picture)
    places = np.column_stack([found.columns, found.rows])
    _, centres, _ = theirs(picture)
    truth = plate.dots(SHAPE, PITCH_MM)[:, 2:]
    other = centres[nearest(places, centres)]
    # Centroids of about 77 whole pixels: 33 rim pixels, each in or out by chance (σ 1/√12 of a
    # pixel, 5 px from the middle, half of that in one direction): 5·√(33/24)/77 = 0.08 px; the
    # largest of some 200 numbers is 3.5 times that.
    assert np.abs(places - other).max() < 0.3
    near = truth[nearest(places, truth)]
    rms = {
        name: float(np.sqrt(np.mean((one - near) ** 2)))
        for name, one in {"ours": places, "theirs": other}.items()
    }
    assert rms["theirs"] < 0.15
    assert rms["ours"] < 0.1 * rms["theirs"]


def test_the_same_roll_and_distance() -> None:
    picture = shot()
    found = ours(picture)
    binary, _, distance = theirs(picture)
    # Straight lines through 5 dots of 0.08 px over 125 px, median of some: 0.03°.
    slope_deg = np.degrees(np.arctan(preprocessing.calc_hor_slope(binary)))
    assert -found.roll_deg == pytest.approx(slope_deg, abs=0.06)
    seen_px = found.magnification * PLATE.spacing_mm / PITCH_MM
    assert seen_px == pytest.approx(distance, abs=0.15)  # the nearest of four: a little short


def test_the_same_perspective() -> None:
    """Their plain linear least squares on our dots; ours weighs what is seen on the panel."""
    found = ours(shot())
    seen = np.column_stack([found.rows, found.columns])
    plate = found.plate_mm[:, ::-1]
    a, b, c, d, e, f, g, h = processing.calc_perspective_coefficients(
        seen, plate, mapping="forward"
    )
    back = np.array([[a, b, c], [d, e, f], [g, h, 1.0]])
    corners = np.array([[0.0, 0], [399, 0], [0, 319], [399, 319]])
    there = apply_homography(back, corners)
    mine = apply_homography(np.linalg.inv(found.homography), corners)
    # Dots of 0.004 px settle the corners to about 0.002 px = 0.2 µm either way.
    np.testing.assert_allclose(there, mine, atol=1e-3)


def test_the_same_bend() -> None:
    """Theirs as a radial polynomial about a centre; ours is a cubic surface on a projection."""
    plate = replace(
        PLATE, roll_deg=0.0, tilt_columns_deg=0.0, tilt_rows_deg=0.0, corner_bend_px=6.0
    )
    picture = shot(plate)
    found = ours(picture)
    binary, _, distance = theirs(picture)
    lines = [
        group(binary, slope(binary), distance)
        for group, slope in (
            (preprocessing.group_dots_hor_lines, preprocessing.calc_hor_slope),
            (preprocessing.group_dots_ver_lines, preprocessing.calc_ver_slope),
        )
    ]
    column, row = processing.find_cod_coarse(*lines)
    factors = processing.calc_coef_forward(*lines, column, row, 4)
    seen = np.column_stack([found.columns, found.rows])
    middle = np.array([column, row])
    # Their coarse search for the bend's middle: within half a dot's distance.
    assert np.abs(middle - (np.array(SHAPE[::-1]) - 1) / 2).max() < distance / 2
    radius = np.hypot(*(seen - middle).T)
    radial = sum(factor * radius**power for power, factor in enumerate(factors))
    straightened = middle + (seen - middle) * np.asarray(radial)[:, None]

    def departure(places: np.ndarray) -> float:
        """How far the places are from an even lattice, root mean square."""
        terms = np.column_stack([found.plate_mm, np.ones(len(places))])
        fitted = terms @ np.linalg.lstsq(terms, places, rcond=None)[0]
        return float(np.sqrt(np.mean((places - fitted) ** 2)))

    # 6 px in a corner less their linear part leave 0.4 px. A radial polynomial through centroids
    # good to 0.1 px, about a middle that is some pixels off, takes most of it away; the cubic
    # surface all but the noise of single dots (0.004 px; dots in corners are no longer round).
    assert departure(seen) > 0.35
    assert departure(straightened) < 0.15
    assert departure(seen - found.bend_px) < 0.01
