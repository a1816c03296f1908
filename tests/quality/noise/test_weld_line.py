"""The weld's line against the thickness map that the strip is made of.

The same seed without texture, drift and root leaves the cap alone: where it is thicker than the
wall is the cap, exactly to half a map pixel (0.05 mm).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pytest
from numpy.typing import NDArray

from pipeline.model import Origin, StripGrid
from pipeline.quality.noise.weld_line import WeldLine, find_weld_line
from pipeline.simulation.thickness import empty_map
from pipeline.simulation.weld import WeldShape, add_weld

SHAPE = WeldShape(
    diameter_mm=150.0,
    wall_mm=9.0,
    cap_half_width_mm=7.0,
    cap_height_mm=1.8,
    root_half_width_mm=2.0,
    root_height_mm=1.0,
)
LENGTH_MM = float(np.pi * SHAPE.diameter_mm)
HALF_HEIGHT_MM = 25.0
PITCH_MM = 0.1
MU_PER_MM = 0.05  # what 200 kV with scatter leaves of steel's attenuation, about


@dataclass
class Welded:
    """A strip without noise, its grid, and every column's true centre and half width (mm)."""

    bright: NDArray[np.float64]
    grid: StripGrid
    centre_mm: NDArray[np.float64]
    half_width_mm: NDArray[np.float64]

    def strip(self, snr: float = 300.0, seed: int = 1) -> NDArray[np.uint16]:
        noise = np.random.default_rng(seed).normal(0, 1 / snr, self.bright.shape)
        return np.rint(self.bright * (1 + noise)).astype(np.uint16)


def _thickness(shape: WeldShape, seed: int) -> NDArray[np.float32]:
    target = empty_map(LENGTH_MM, HALF_HEIGHT_MM, PITCH_MM)
    add_weld(target, shape, np.random.default_rng(seed))
    return target.values


@pytest.fixture(scope="module")
def welded() -> Welded:
    steel = _thickness(SHAPE, 5)
    smooth = replace(
        SHAPE, root_height_mm=0.0, ripple_mm=0.0, scale_mm=0.0, waviness_mm=0.0, wall_drift_mm=0.0
    )
    cap = _thickness(smooth, 5) > SHAPE.wall_mm + 1e-3
    rows, columns = steel.shape
    first, last = cap.argmax(axis=0), rows - 1 - cap[::-1].argmax(axis=0)
    pitch = LENGTH_MM / columns
    z_first = -(rows - 1) / 2 * PITCH_MM
    return Welded(
        60_000 * np.exp(-MU_PER_MM * steel.astype(np.float64)),
        StripGrid(rows, columns, pitch, 0.0, z_first, True),
        z_first + PITCH_MM * (first + last) / 2,
        PITCH_MM * (last - first) / 2,
    )


def _errors(found: WeldLine, welded: Welded) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Centre and half width less the true mean over each place's columns, where seen."""
    parts = np.array_split(np.stack([welded.centre_mm, welded.half_width_mm]), len(found.s_mm), 1)
    true = np.array([part.mean(axis=1) for part in parts])
    return (
        (found.z_mm - true[:, 0])[found.seen],
        (found.half_width_mm - true[:, 1])[found.seen],
    )


def test_centre_and_width_are_the_map_s(welded: Welded) -> None:
    """Mill scale and waviness of 0.03 mm over grains of 1 and 6 mm, on a cap whose toes rise by
    0.3 mm a bin of 0.4 mm: a toe to about 0.1 mm, its part of the width's systematic fit error
    included. Noise adds 0.01."""
    found = find_weld_line(welded.strip(), None, welded.grid)
    assert found.seen.all()
    assert len(found.s_mm) == round(LENGTH_MM / 10)
    centre, half_width = _errors(found, welded)
    assert np.sqrt(np.mean(centre**2)) < 0.10
    assert np.sqrt(np.mean(half_width**2)) < 0.15
    assert abs(half_width.mean()) < 0.10


@pytest.mark.parametrize("snr", [25.0, 80.0, 300.0])
def test_the_uncertainty_is_about_what_the_errors_are(welded: Welded, snr: float) -> None:
    """The root mean square of 47 errors in standard deviations is known to 10 %, trebled. The
    lower bound is half of that again, as the cap's real wander from place to place is counted as
    uncertainty where the fit alone would promise too much."""
    found = find_weld_line(welded.strip(snr=snr), None, welded.grid)
    centre, half_width = _errors(found, welded)
    assert 0.35 < np.sqrt(np.mean((centre / found.z_sigma_mm[found.seen]) ** 2)) < 1.7
    assert 0.35 < np.sqrt(np.mean((half_width / found.half_width_sigma_mm[found.seen]) ** 2)) < 1.7


def test_a_weld_that_wanders_along_the_pipe_is_followed(welded: Welded) -> None:
    """By ±5 mm once round, as if the track stood askew: the rows are rolled, to the next pixel."""
    columns = welded.grid.columns
    shift = np.rint(50 * np.sin(2 * np.pi * np.arange(columns) / columns)).astype(int)
    rows = (np.arange(welded.grid.rows)[:, np.newaxis] - shift) % welded.grid.rows
    moved = replace(
        welded,
        bright=np.take_along_axis(welded.bright, rows, axis=0),
        centre_mm=welded.centre_mm + shift * PITCH_MM,
    )
    found = find_weld_line(moved.strip(), None, welded.grid)
    assert found.seen.mean() > 0.95
    centre, _ = _errors(found, moved)
    assert np.sqrt(np.mean(centre**2)) < 0.2  # it climbs by up to 0.7 mm in a place's length


def test_lead_wires_and_gaps_do_not_lead_it_astray(welded: Welded) -> None:
    """Ticks and figures at one side, wires across the cap, a lead letter on the cap itself, and a
    part that no frame covered. Places in the gap have no weld; the letter covers 8 of 10 mm of one
    place, whose centre may be off by some of the letter's width."""
    strip = welded.strip()
    per_mm = round(1 / PITCH_MM)
    for tick in range(0, strip.shape[1], 10 * per_mm):
        strip[380:415, tick : tick + 5] //= 3
    for figure in range(0, strip.shape[1], 100 * per_mm):
        strip[425:490, figure : figure + 120] //= 3
    for wire in range(7):
        strip[60:440, 1500 + 50 * wire : 1504 + 50 * wire] //= 2
    strip[230:300, 3010:3090] //= 3
    origin = np.full(strip.shape, Origin.MEASURED, np.uint8)
    origin[:, 2000:2350], strip[:, 2000:2350] = Origin.NOT_COVERED, 0
    found = find_weld_line(strip, origin, welded.grid)
    gap = (found.s_mm > 201) & (found.s_mm < 234)
    assert not found.seen[gap].any()
    assert np.isnan(found.z_mm[gap]).all()
    assert found.seen[~gap].mean() > 0.9
    centre, half_width = _errors(found, welded)
    assert np.abs(centre).max() < 1.0
    elsewhere = np.abs(found.s_mm - 305)[found.seen] > 8
    assert np.sqrt(np.mean(centre[elsewhere] ** 2)) < 0.10
    assert np.sqrt(np.mean(half_width[elsewhere] ** 2)) < 0.15


def test_what_a_ring_s_strip_shows_again_past_the_datum_changes_nothing(welded: Welded) -> None:
    strip = welded.strip()
    again = replace(welded.grid, overrun=400)
    origin = np.full((strip.shape[0], strip.shape[1] + 400), Origin.MEASURED, np.uint8)
    longer = np.concatenate([strip, strip[:, :400]], axis=1)
    found = find_weld_line(longer, origin, again)
    once = find_weld_line(strip, None, welded.grid)
    np.testing.assert_array_equal(found.s_mm, once.s_mm)
    np.testing.assert_array_equal(found.z_mm, once.z_mm)


def test_plain_plate_has_no_weld() -> None:
    rng = np.random.default_rng(8)
    values = np.rint(20_000 * (1 + rng.normal(0, 0.005, (400, 3000)))).astype(np.uint16)
    grid = StripGrid(400, 3000, 0.1, 0.0, -20.0, False)
    found = find_weld_line(values, None, grid)
    assert found.seen.mean() < 0.1
    nothing = find_weld_line(np.zeros_like(values), None, grid)
    assert not nothing.seen.any()
    assert nothing.at(10.0) is None


def test_between_places_the_line_is_straight(welded: Welded) -> None:
    found = find_weld_line(welded.strip(), None, welded.grid)
    middle = found.at(float(found.s_mm[3:5].mean()))
    assert middle is not None
    assert middle[0] == pytest.approx(found.z_mm[3:5].mean())
    assert middle[1] == pytest.approx(found.half_width_mm[3:5].mean())


@pytest.mark.parametrize("rows", [1, 3, 40, 47, 48, 60])
@pytest.mark.parametrize("columns", [1, 3, 90, 900])
@pytest.mark.parametrize("ring", [False, True])
def test_a_picture_of_a_few_pixels_has_no_weld(rows: int, columns: int, ring: bool) -> None:
    """From one pixel on; twelve bins of 0.4 mm are 48 rows, the fewest that are looked at."""
    for values in (np.full((rows, columns), 500, np.uint16), np.zeros((rows, columns), np.uint16)):
        found = find_weld_line(values, None, StripGrid(rows, columns, 0.1, 0.0, 0.0, ring))
        assert not found.seen.any()
        assert len(found.s_mm) == len(found.z_mm) == max(1, round(columns / 100))


@pytest.mark.parametrize(("rows", "columns"), [(300, 900), (120, 1500), (800, 1000)])
def test_noise_alone_has_no_weld(rows: int, columns: int) -> None:
    """A place's best fit of some 100 independent ones stands out by 5 standard deviations, told by
    30 bins, in about 1 of 50; six neighbours of eleven together in none of 10 pictures."""
    for seed in range(10):
        noise = np.random.default_rng(seed).normal(1000, 30, (rows, columns))
        grid = StripGrid(rows, columns, 0.1, 0.0, -rows / 20, seed % 2 == 0)
        assert not find_weld_line(noise.astype(np.uint16), None, grid).seen.any()
