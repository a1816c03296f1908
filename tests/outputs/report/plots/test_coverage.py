import numpy as np
import pytest

from pipeline.model import Origin
from pipeline.outputs.report.plots.coverage import coverage_profile


@pytest.mark.parametrize("bins", [1, 3, 7, 10, 800])
def test_profiles_hold_the_least_and_the_mean_of_each_bin(bins):
    rng = np.random.default_rng(5)
    count = rng.integers(1, 200, (4, 10), dtype=np.uint8)
    origin = np.full((4, 10), Origin.MEASURED, np.uint8)
    origin[0, :3] = Origin.FILLED
    origin[1, 9] = Origin.NOT_COVERED
    profile = coverage_profile(count, origin, pitch_mm=0.1, s_first_mm=5.0, bins=bins)

    n = min(bins, 10)
    middle = count[1:3]
    parts = [middle[:, k * 10 // n : (k + 1) * 10 // n] for k in range(n)]
    assert profile.least.tolist() == [part.min() for part in parts]
    # Sums of integers are exact, so only the division rounds.
    assert profile.mean == pytest.approx([part.mean() for part in parts], rel=1e-15)
    parts = [origin[:, k * 10 // n : (k + 1) * 10 // n] for k in range(n)]
    assert profile.filled == pytest.approx([(part == Origin.FILLED).mean() for part in parts])
    assert profile.edges_mm[0] == pytest.approx(4.95)
    assert profile.edges_mm[-1] == pytest.approx(5.95)
    assert (profile.filled_fraction, profile.not_covered_fraction) == (3 / 40, 1 / 40)
    assert profile.edge_fraction == 0  # row 1 is in the middle half


def test_the_least_passes_over_filled_pixels_unless_there_is_nothing_else():
    count = np.full((8, 6), 3, np.uint8)
    origin = np.full((8, 6), Origin.MEASURED, np.uint8)
    count[4, 1], origin[4, 1] = 0, Origin.FILLED
    count[:, 3], origin[:, 3] = 0, Origin.FILLED
    count[4, 5], origin[4, 5] = 0, Origin.NOT_COVERED
    profile = coverage_profile(count, origin, pitch_mm=1.0, s_first_mm=0.0)
    assert profile.least.tolist() == [3, 3, 3, 0, 3, 0]


@pytest.mark.parametrize("gap_columns", [0, 2])
def test_notches_at_the_edge_are_told_from_gaps(gap_columns):
    origin = np.full((8, 10), Origin.MEASURED, np.uint8)
    origin[0, 3:6] = origin[7, 9] = Origin.NOT_COVERED
    origin[:, :gap_columns] = Origin.NOT_COVERED
    profile = coverage_profile(origin, origin, pitch_mm=1.0, s_first_mm=0.0)
    assert profile.edge_fraction == 4 / 80
    assert profile.not_covered_fraction == (4 + 8 * gap_columns) / 80
