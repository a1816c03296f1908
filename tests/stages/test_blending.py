"""Blending: a known surface cut into frames by exact projection, the whole strip demanded back."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from pipeline.geometry import Arrangement, Panel, ScanGeometry
from pipeline.kernels.resample import BLOCK
from pipeline.model import FrameFlag, Origin, Placement
from pipeline.quality.coverage import find_gaps
from pipeline.stages.blending import Blending
from tests.stages.cut_scans import EXACT_GV, GEOMETRY, PANEL, PITCH, cut

# The source goes along, so that wandering along the pipe leaves the beam as it is.
TWO_WALL = replace(GEOMETRY, arrangement=Arrangement.TWO_WALL, source_distance_mm=300.0)


@pytest.mark.parametrize(
    ("geometry", "panel", "axial_mm"),
    [
        (GEOMETRY, PANEL, 0.0),
        (TWO_WALL, PANEL, 1.0),
        (TWO_WALL, replace(PANEL, roll_rad=0.012), 0.5),
        (GEOMETRY, replace(PANEL, roll_rad=-0.006, offset_y_mm=0.7, offset_z_mm=-0.4), 0.0),
        (GEOMETRY, replace(PANEL, yaw_rad=0.02), 0.0),
        (GEOMETRY, replace(PANEL, pitch_rad=-0.02), 0.0),
        (TWO_WALL, replace(PANEL, roll_rad=0.006, yaw_rad=-0.01, pitch_rad=0.015), 0.5),
    ],
    ids=["plain", "wandering", "rolled", "rolled and shifted", "yawed", "pitched", "all ways"],
)
def test_a_ring_cut_into_frames_comes_back_whole(
    geometry: ScanGeometry, panel: Panel, axial_mm: float
) -> None:
    scan = cut(14, geometry=geometry, panel=panel, axial_mm=axial_mm)
    strip, filled, clipped = scan.compose()
    assert (filled, clipped) == (0, 0)
    assert strip.values.shape == scan.grid.shape
    assert (strip.count > 0).all() and (strip.origin == Origin.MEASURED).all()
    assert find_gaps(strip.origin, scan.grid) == []
    # All of it: every seam, the one over the datum and the overrun too.
    assert np.abs(strip.values - scan.truth()).max() <= EXACT_GV
    assert scan.grid.columns % BLOCK != 0  # the last block is a partial one
    for image in (strip.values, strip.sigma, strip.count, strip.origin):
        np.testing.assert_array_equal(image[:, scan.grid.columns :], image[:, : scan.grid.overrun])


@pytest.mark.parametrize("axial_mm", [0.3, 1.0])
def test_the_beam_stays_where_the_source_is_when_the_panel_wanders(axial_mm: float) -> None:
    scan = cut(14, axial_mm=axial_mm)
    strip, _, _ = scan.compose()
    # The beam's shape is taken out as a product of columns and rows, which leaves 3 a v u²/L⁴ at
    # the wander a: a frame counts for 13 mm along the panel and 9 mm across, L is 50 mm. All of
    # it would be 3 a v/L²: 200 GV for 1 mm.
    left = 20_000 * 1.2 * 3 * axial_mm * 9 * 13**2 / 50**4
    assert np.abs(strip.values - scan.truth()).max() <= EXACT_GV + left


@pytest.mark.parametrize("source_mm", [(2.0, 0.0), (-1.0, 2.0)])
def test_an_off_centre_sources_beam_and_distortion_are_taken_out(
    source_mm: tuple[float, float],
) -> None:
    geometry = replace(GEOMETRY, source_x_mm=source_mm[0], source_y_mm=source_mm[1])
    scan = cut(14, geometry=geometry)
    strip, _, _ = scan.compose()
    assert (strip.origin == Origin.MEASURED).all()
    # The beam's shape is taken at the panel's middle row; 8 mm off it on the panel an offset of 2
    # of 50 mm changes the flux by 3 * (2 / 50) * (8 / 50)² = 3e-3.
    assert np.abs(strip.values / scan.truth() - 1).max() < 4e-3
    middle = scan.grid.rows // 2
    off = strip.values[middle].astype(float) - scan.truth()[middle]
    assert np.abs(off).max() <= EXACT_GV + 0.5


def test_an_arc_comes_back_from_its_first_to_its_last_column() -> None:
    scan = cut(4, ring=False)
    strip, _, _ = scan.compose()
    assert scan.grid.s_first_mm < -10  # it begins before the datum
    seen = strip.count > 0
    assert seen[:, 3:-3].all()
    assert find_gaps(strip.origin, scan.grid) == []
    assert np.abs(strip.values - scan.truth())[seen].max() <= EXACT_GV


def test_a_single_frame() -> None:
    scan = cut(1, ring=False)
    strip, _, _ = scan.compose()
    seen = strip.count > 0
    assert set(np.unique(strip.count)) <= {0, 1} and seen.mean() > 0.97
    assert np.abs(strip.values - scan.truth())[seen].max() <= EXACT_GV


def test_a_single_frame_of_a_ring_leaves_the_rest_uncovered() -> None:
    scan = cut(positions=[1.0])
    strip, _, _ = scan.compose()
    seen = strip.origin != Origin.NOT_COVERED
    assert 0.1 < seen.mean() < 0.2
    assert np.abs(strip.values - scan.truth())[seen].max() <= EXACT_GV
    assert not strip.values[~seen].any() and not strip.sigma[~seen].any()
    ((first, last),) = find_gaps(strip.origin, scan.grid)
    assert last - first == pytest.approx(GEOMETRY.circumference_mm - 28, abs=1.5)


def test_a_scan_that_runs_past_the_datum() -> None:
    """The last frames lie where the first ones did, counted on: both are used."""
    once = GEOMETRY.circumference_mm
    scan = cut(positions=[k * once / 14 for k in range(16)])
    strip, _, _ = scan.compose()
    assert np.abs(strip.values - scan.truth()).max() <= EXACT_GV
    usual, _, _ = cut(positions=[k * once / 14 for k in range(14)]).compose()
    assert strip.count[:, :50].max() > usual.count[:, :50].max()


def test_frames_before_the_datum_and_in_any_order() -> None:
    once = GEOMETRY.circumference_mm
    positions = [k * once / 14 - 9.0 for k in (5, 0, 1, 2, 9, 3, 4, 6, 7, 8, 13, 10, 11, 12)]
    scan = cut(positions=positions)
    strip, _, _ = scan.compose()
    assert np.abs(strip.values - scan.truth()).max() <= EXACT_GV


def test_no_overlap_leaves_a_gap_that_is_not_filled() -> None:
    once = GEOMETRY.circumference_mm
    positions = [k * once / 14 for k in range(14) if k not in (6, 7)]
    strip, _, _ = cut(positions=positions).compose()
    (gap,) = find_gaps(strip.origin, cut(positions=positions).grid)
    # Three steps of 17.95 mm less twice the 14.2 mm that a frame reaches: 25.4 mm.
    assert gap[1] - gap[0] == pytest.approx(25.4, abs=1.0)
    assert (gap[0] + gap[1]) / 2 == pytest.approx(6.5 * once / 14, abs=0.3)
    bare = strip.origin == Origin.NOT_COVERED
    assert not strip.values[bare].any()


# ---- bad pixels ---------------------------------------------------------------------------------


def test_what_another_frame_measured_is_never_filled() -> None:
    """A bad cluster on the panel: where two frames overlap, the other one counts."""
    scan = cut(24)
    for frame in scan.frames:
        frame.flags[50:56, 90:96] = FrameFlag.BAD
        frame.values[50:56, 90:96] = 65_000
        # The interpolation's neighbours see an estimate, as the bad-pixel stage leaves it.
        frame.values[50:56, 90:96] = frame.values[50, 89]
    strip, filled, _ = scan.compose()
    assert filled == 0
    assert (strip.origin == Origin.MEASURED).all()
    usual, _, _ = cut(24).compose()
    less = usual.count.astype(int) - strip.count
    assert set(np.unique(less)) <= {0, 1, 2} and less.max() >= 1
    # Beside the cluster the interpolation still leans on the estimate: at most 0.12 of its error.
    off = np.abs(strip.values - scan.truth())
    assert off[less == 0].max() < 150 and np.median(off) < 0.5


@pytest.mark.parametrize(("radius", "closes"), [(0, False), (1, False), (3, True)])
def test_what_no_frame_measured_is_filled_and_said_so(radius: int, closes: bool) -> None:
    scan = cut(1, ring=False)
    flags = scan.frames[0].flags
    flags[60:64, 100:104] = FrameFlag.BAD
    strip, filled, _ = scan.compose(Blending(fill_radius_px=radius))
    hole = strip.count == 0
    hole[:, :5] = hole[:, -5:] = False
    assert 12 <= hole.sum() <= 25  # four panel pixels of 0.16 mm and what leans on them: 0.8 mm
    if closes:
        assert filled == hole.sum()
        assert (strip.origin[hole] == Origin.FILLED).all()
        assert (strip.sigma[hole] > 0).all()
        # A mean of neighbours up to 3 px away on waves of 20 px: 300 of 20,000.
        assert np.abs(strip.values - scan.truth())[hole].max() < 400
    else:
        assert (strip.origin[hole] == Origin.NOT_COVERED).all()
        assert not strip.values[hole].any()


def test_a_hole_on_the_datum_is_filled_from_its_own_side_and_the_overrun_repeats_it() -> None:
    scan = cut(positions=[2.0])
    middle = 100 - round(2.0 / PITCH * 50 / 40)  # where the panel sees the datum
    scan.frames[0].flags[58:61, middle - 1 : middle + 2] = FrameFlag.BAD
    strip, filled, _ = scan.compose()
    assert filled > 0
    overrun = strip.origin[:, scan.grid.columns :]
    np.testing.assert_array_equal(overrun, strip.origin[:, : scan.grid.overrun])
    assert (overrun[:, :4] == Origin.FILLED).any()


def test_a_frame_that_is_flagged_all_over_adds_nothing() -> None:
    scan = cut(14)
    scan.frames[3].flags[:] = FrameFlag.SATURATED
    without = replace(
        scan,
        frames=(*scan.frames[:3], *scan.frames[4:]),
        placement=Placement(
            *(np.delete(getattr(scan.placement, k), 3) for k in Placement.__slots__)
        ),
    )
    (ours, _, _), (theirs, _, _) = scan.compose(), without.compose()
    np.testing.assert_array_equal(ours.values, theirs.values)
    np.testing.assert_array_equal(ours.sigma, theirs.sigma)


def test_a_panel_column_that_is_bad_all_along_is_no_trouble() -> None:
    scan = cut(24)
    scan.calibration.classes[:, 77] = 1
    for frame in scan.frames:
        frame.flags[:, 77] = FrameFlag.BAD
    strip, _, _ = scan.compose()
    assert (strip.origin == Origin.MEASURED).all()
    assert np.abs(strip.values - scan.truth()).max() <= EXACT_GV
