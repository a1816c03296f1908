"""Filling flagged pixels and closing holes, against plain loops."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from pipeline.kernels.repair import close_holes, fill_flagged, flag_saturated

NOT_COVERED, MEASURED, FILLED = (np.uint8(k) for k in (0, 1, 2))


@pytest.mark.parametrize("limit", [0, 1, 60_000, 65_535])
def test_saturated_is_at_or_above_the_limit(limit: int) -> None:
    raw = np.array([[0, 1, 59_999], [60_000, 65_534, 65_535]], np.uint16)
    flags = flag_saturated(raw, limit, 2)
    assert flags.dtype == np.uint8
    np.testing.assert_array_equal(flags, np.where(raw >= limit, 2, 0))


# ---- fill_flagged -------------------------------------------------------------------------------


def filled(
    values: np.ndarray, flags: np.ndarray, radius_px: int, max_radius_px: int
) -> tuple[np.ndarray, int]:
    """The twin: every pixel, every neighbour."""
    out, left = values.astype(np.float64), 0
    good = np.argwhere(flags == 0)
    for r, c in np.argwhere(flags != 0):
        for reach in range(radius_px, max_radius_px + 1):
            near = good[np.abs(good - (r, c)).max(axis=1, initial=0) <= reach]
            if len(near):
                weight = 1.0 / np.sum((near - (r, c)) ** 2, axis=1) ** 2.0
                out[r, c] = np.sum(weight * values[near[:, 0], near[:, 1]]) / weight.sum()
                break
        else:
            left += 1
    return out, left


@given(
    hnp.arrays(
        np.uint8, st.tuples(st.integers(1, 9), st.integers(1, 11)), elements=st.integers(0, 3)
    ),
    st.integers(1, 4),
    st.integers(1, 6),
)
@settings(max_examples=80, deadline=None, derandomize=True)
def test_filling_equals_its_twin(flags: np.ndarray, radius: int, most: int) -> None:
    values = np.random.default_rng(flags.size).uniform(0, 1000, flags.shape).astype(np.float32)
    flags_before = flags.copy()
    expected, left = filled(values, flags, radius, most)
    assert fill_flagged(values, flags, radius_px=radius, max_radius_px=most) == left
    np.testing.assert_allclose(values, expected, rtol=2e-7)  # one rounding to float32
    np.testing.assert_array_equal(flags, flags_before)


@pytest.mark.parametrize("radius", [1, 2, 5])
def test_single_pixels_on_a_linear_ramp_are_exact(radius: int) -> None:
    row, column = np.mgrid[:40, :50]
    ramp = (100 + 3 * row - 2 * column).astype(np.float32)
    flags = np.zeros(ramp.shape, np.uint8)
    flags[8:-8:13, 8:-8:13] = 1
    values = np.where(flags, np.float32(-9e9), ramp)
    assert fill_flagged(values, flags, radius_px=radius) == 0
    # By symmetry the neighbours' mean is the middle's value; float32 of 200 is good to 1.5e-5.
    np.testing.assert_allclose(values, ramp, atol=3e-5)


def test_clusters_and_borders_stay_between_their_neighbours() -> None:
    row, column = np.mgrid[:40, :50]
    ramp = (100 + 3 * row - 2 * column).astype(np.float32)
    flags = np.zeros(ramp.shape, np.uint8)
    flags[10:13, 20:23] = 1  # a block
    flags[:, 35] = 1  # a whole column
    flags[0, 0] = flags[-1, -1] = flags[0, 10:13] = 2  # corners and an edge
    values = np.where(flags, np.float32(np.nan), ramp)
    assert fill_flagged(values, flags, radius_px=2) == 0
    # The ramp's slope is 3 and 2; no mean over ±2 pixels can be off by more than 2 * (3 + 2).
    assert np.abs(values - ramp).max() < 10
    np.testing.assert_allclose(values[11, 21], ramp[11, 21], atol=3e-5)  # the block's middle
    np.testing.assert_allclose(values[2:-2, 35], ramp[2:-2, 35], atol=3e-5)  # symmetric across


def test_reach_grows_until_a_good_pixel_is_found_and_ends_at_its_limit() -> None:
    flags = np.ones((21, 21), np.uint8)
    flags[0, 0] = 0
    values = np.zeros((21, 21), np.float32)
    values[0, 0] = 5
    assert fill_flagged(values.copy(), flags, radius_px=1, max_radius_px=19) == 41
    assert fill_flagged(values, flags, radius_px=1, max_radius_px=20) == 0
    assert (values == 5).all()


@pytest.mark.parametrize("radius", [1, 2, 3])
@pytest.mark.parametrize("most", [3, 9, 64])
def test_large_defects_equal_the_twin(radius: int, most: int) -> None:
    """Blocks against the borders and in the middle, with islands, ragged and cut by whole lines."""
    rng = np.random.default_rng(radius * most)
    flags = np.zeros((48, 60), np.uint8)
    flags[5:33, 8:40] = 1
    flags[rng.integers(5, 33, 6), rng.integers(8, 40, 6)] = 0
    flags[36:, 45:] = 2
    flags[:14, 50:] = 2
    flags[40, :] = flags[:, 43] = 1
    flags[rng.random(flags.shape) < 0.1] = 1
    values = rng.uniform(0, 1000, flags.shape).astype(np.float32)
    expected, left = filled(values, flags, radius, most)
    assert fill_flagged(values, flags, radius_px=radius, max_radius_px=most) == left
    np.testing.assert_allclose(values, expected, rtol=2e-7)  # one rounding to float32


def test_all_bad_keeps_its_values() -> None:
    values = np.arange(12, dtype=np.float32).reshape(3, 4)
    before = values.copy()
    assert fill_flagged(values, np.ones((3, 4), np.uint8), radius_px=2) == 12
    np.testing.assert_array_equal(values, before)


def test_more_flagged_pixels_than_one_buffer_holds() -> None:
    """Lists of places grow; the last chunk of 64 is a partial one."""
    flags = np.zeros((101, 103), np.uint8)
    flags[::2, ::2] = 1
    flags[-1, -1] = 1
    values = np.where(flags, np.float32(0), np.float32(7))
    assert fill_flagged(values, flags, radius_px=1) == 0
    np.testing.assert_allclose(values, 7, rtol=1e-6)


# ---- close_holes --------------------------------------------------------------------------------


def between(seen: np.ndarray, most: int) -> np.ndarray:
    """Unseen pixels in a gap of at most ``most`` between seen ones, along a row or a column."""
    result = np.zeros(seen.shape, bool)
    for lines, out in ((seen, result), (seen.T, result.T)):
        for line, marks in zip(lines, out, strict=True):
            at = np.flatnonzero(line)
            for a, b in itertools.pairwise(at):
                if 1 < b - a <= most + 1:
                    marks[a + 1 : b] = True
    return result


@given(
    hnp.arrays(
        np.uint8, st.tuples(st.integers(1, 14), st.integers(1, 14)), elements=st.integers(0, 1)
    ),
    st.integers(1, 3),
)
@settings(max_examples=80, deadline=None, derandomize=True)
def test_exactly_what_lies_between_measured_pixels_is_filled(
    origin: np.ndarray, radius: int
) -> None:
    rng = np.random.default_rng(origin.size)
    seen = origin == MEASURED
    values = np.where(seen, rng.integers(1, 60_000, origin.shape), 0).astype(np.uint16)
    sigma = np.where(seen, rng.integers(1, 4000, origin.shape), 0).astype(np.uint16)
    old_values, old_sigma = values.copy(), sigma.copy()
    expected = between(seen, 2 * radius + 1)
    assert close_holes(values, sigma, origin, radius_px=radius) == expected.sum()
    np.testing.assert_array_equal(origin == FILLED, expected)
    np.testing.assert_array_equal(origin == MEASURED, seen)
    keep = ~expected
    np.testing.assert_array_equal(values[keep], old_values[keep])
    np.testing.assert_array_equal(sigma[keep], old_sigma[keep])
    # Each is the mean of the measured ones in reach, by 1/distance⁴.
    reach = 2 * radius + 1
    at = np.argwhere(seen)
    for r, c in np.argwhere(expected):
        near = at[np.abs(at - (r, c)).max(axis=1) <= reach]
        weight = 1.0 / np.sum((near - (r, c)) ** 2, axis=1) ** 2.0
        for image, old in ((values, old_values), (sigma, old_sigma)):
            mean = np.sum(weight * old[near[:, 0], near[:, 1]]) / weight.sum()
            assert abs(float(image[r, c]) - mean) <= 0.5 + 1e-6


def holed(rows: slice, columns: slice) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """A strip of 20×24 with an unseen margin of 5 and a hole."""
    origin = np.zeros((20, 24), np.uint8)
    origin[5:-5, 5:-5] = MEASURED
    origin[rows, columns] = NOT_COVERED
    seen = origin == MEASURED
    return (
        np.where(seen, 1000, 0).astype(np.uint16),
        np.where(seen, 40, 0).astype(np.uint16),
        origin,
    )


@pytest.mark.parametrize(("radius", "closes"), [(1, False), (2, True), (3, True)])
def test_a_hole_of_four_is_filled_wholly_or_not_at_all(radius: int, closes: bool) -> None:
    values, sigma, origin = holed(slice(8, 12), slice(10, 14))
    number = close_holes(values, sigma, origin, radius_px=radius)
    assert number == (16 if closes else 0)
    hole = (slice(8, 12), slice(10, 14))
    assert (origin[hole] == (FILLED if closes else NOT_COVERED)).all()
    if closes:
        assert (values[hole] == 1000).all() and (sigma[hole] == 40).all()
    # Outside nothing grew.
    outside = np.ones(origin.shape, bool)
    outside[5:-5, 5:-5] = False
    assert (origin[outside] == NOT_COVERED).all() and not values[outside].any()


def test_a_notch_in_the_strips_edge_is_open_on_one_side_only() -> None:
    values, sigma, origin = holed(slice(5, 9), slice(10, 13))
    assert close_holes(values, sigma, origin, radius_px=1) == 12  # closed along the rows
    values, sigma, origin = holed(slice(5, 9), slice(10, 14))
    assert close_holes(values, sigma, origin, radius_px=1) == 0


def test_nothing_seen_and_everything_seen() -> None:
    for kind in (NOT_COVERED, MEASURED):
        image = np.zeros((6, 6), np.uint16)
        assert close_holes(image, image.copy(), np.full((6, 6), kind), radius_px=3) == 0
