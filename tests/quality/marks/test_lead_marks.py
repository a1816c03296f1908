"""Lead marks are found where they are, to a small part of a pixel, and nowhere else."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.model import Origin
from pipeline.quality.marks.lead_marks import band_rows, find_marks
from tests.quality.lead_strips import grid_of, lay_bars, plain_strip

BAND = (3.0, 7.0)


@pytest.mark.parametrize("width_mm", [0.3, 0.5, 1.5])
@pytest.mark.parametrize("depth", [0.2, 1.5])
def test_places_are_right_at_any_phase(width_mm: float, depth: float) -> None:
    strip = plain_strip(grid_of(400.0))
    true = 7.0 + np.arange(15) * 25.013  # phases all over a pixel
    lay_bars(strip, true, width_mm=width_mm, depth=depth)
    marks = find_marks(strip, BAND, width_mm)
    assert len(marks.s_mm) == len(true)
    # Noise: 1 % of a pixel, the mean of 41 rows is 0.16 %; the place of a bar of depth d and width
    # w is then uncertain by about 0.0016 · sqrt(pitch · w) / d: 0.003 mm at worst here. 4 of it,
    # and a pixel's 2 % for the parabola.
    assert np.abs(marks.s_mm - true).max() <= 0.014
    # The kernel gives 1 in the middle of an unblurred bar; blur and edges take up to half.
    assert np.all((marks.contrast > 0.5 * depth) & (marks.contrast < 1.1 * depth))
    assert marks.looked == 1.0


def test_a_mark_across_the_datum_of_a_ring_is_found_once() -> None:
    strip = plain_strip(grid_of(300.0))
    lay_bars(strip, [-0.13, 120.0])
    s = find_marks(strip, BAND, 0.5).s_mm
    assert np.sort((s + 150) % 300 - 150) == pytest.approx([-0.13, 120.0], abs=0.01)


def test_what_does_not_run_through_the_whole_band_is_no_mark() -> None:
    strip = plain_strip(grid_of(300.0))
    lay_bars(strip, [50.0, 90.0], z_mm=(4.5, 9.0))  # ends in the band
    lay_bars(strip, [150.0], z_mm=(2.0, 8.0))
    assert find_marks(strip, BAND, 0.5).s_mm == pytest.approx([150.0], abs=0.01)


def test_bare_metal_has_no_marks() -> None:
    for seed in range(10):
        assert not len(find_marks(plain_strip(grid_of(500.0), seed=seed), BAND, 0.5).s_mm)


def test_streaks_that_are_everywhere_are_no_marks() -> None:
    """One column beside the next differs by 5 %: more than a mark must have alone."""
    strip = plain_strip(grid_of(500.0))
    streaks = 1 + np.random.default_rng(5).normal(0, 0.05, strip.grid.columns)
    strip.values[:] = np.rint(strip.values * streaks)
    assert not len(find_marks(strip, BAND, 0.5).s_mm)
    lay_bars(strip, [200.0])
    assert find_marks(strip, BAND, 0.5).s_mm == pytest.approx([200.0], abs=0.05)


def test_faint_and_light_things_are_no_marks() -> None:
    strip = plain_strip(grid_of(300.0))
    lay_bars(strip, [50.0], depth=0.03)
    lay_bars(strip, [150.0], depth=-0.5)
    s = find_marks(strip, BAND, 0.5).s_mm
    # Beside a light bar it is darker than on it, but not darker than on both sides by half as much.
    assert np.all(np.abs(s - 50.0) > 5)
    assert np.all(np.abs(s - 150.0) > 0.5)


def test_nothing_is_found_where_nothing_is_covered() -> None:
    strip = plain_strip(grid_of(300.0))
    lay_bars(strip, [50.0, 150.0, 250.0])
    gap = slice(1400, 1600)
    strip.values[:, gap] = 0
    strip.origin[:, gap] = Origin.NOT_COVERED
    marks = find_marks(strip, BAND, 0.5)
    assert marks.s_mm == pytest.approx([50.0, 250.0], abs=0.01)
    # 20 mm of 300 are not covered, and 3 standard deviations (0.25 mm) beside them count out.
    assert marks.looked == pytest.approx(1 - (20 + 2 * 0.75) / 300, abs=0.002)


def test_the_ends_of_an_arc_are_no_marks() -> None:
    strip = plain_strip(grid_of(100.0, ring=False, s_first_mm=-20.0))
    lay_bars(strip, [-20.0, 30.0, 79.9])
    assert find_marks(strip, BAND, 0.5).s_mm == pytest.approx([30.0], abs=0.01)


def test_a_band_outside_the_strip_has_no_rows_and_no_marks() -> None:
    strip = plain_strip(grid_of(100.0))
    assert band_rows(strip, (3.0, 4.0)) == slice(30, 41)
    assert band_rows(strip, (-5.0, 0.2)) == slice(0, 3)
    for band in ((-9.0, -1.0), (12.0, 15.0), (4.01, 4.09)):
        rows = band_rows(strip, band)
        assert rows.start == rows.stop
        marks = find_marks(strip, band, 0.5)
        assert (len(marks.s_mm), marks.looked) == (0, 0.0)


def test_a_strip_shorter_than_a_marks_surroundings_has_none() -> None:
    assert not len(find_marks(plain_strip(grid_of(5.0)), BAND, 0.5).s_mm)


def test_what_the_strip_repeats_is_not_looked_at() -> None:
    grid = grid_of(300.0)
    longer = type(grid)(100, grid.columns, grid.pitch_mm, 0.0, 0.0, True, overrun=500)
    strip = plain_strip(longer)
    lay_bars(strip, [20.0, 200.0])
    strip.values[:, grid.columns :] = strip.values[:, :500]
    assert find_marks(strip, BAND, 0.5).s_mm == pytest.approx([20.0, 200.0], abs=0.01)
