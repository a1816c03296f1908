"""The compiled flat-field loop against its readable twin."""

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from pipeline.kernels.flat_field import flat_field, flat_field_curved

SHAPE = 3, 5


def expected_of(raw: np.ndarray, dark: np.ndarray, inverse_gain: np.ndarray) -> np.ndarray:
    return (raw.astype(np.float32) - dark) * inverse_gain


def images(least: float, most: float) -> st.SearchStrategy[np.ndarray]:
    return hnp.arrays(np.float32, SHAPE, elements=st.floats(least, most, width=32))


@given(hnp.arrays(np.uint16, SHAPE), images(0, 65_535), images(0, 1024))
@settings(max_examples=100, deadline=None)
def test_equals_its_reference(raw, dark, inverse_gain):
    before = raw.copy(), dark.copy(), inverse_gain.copy()
    out = np.full(SHAPE, np.nan, np.float32)
    flat_field(raw, dark, inverse_gain, out)
    # The same two float32 operations in the same order: the same bits.
    np.testing.assert_array_equal(out, expected_of(raw, dark, inverse_gain))
    for image, copy in zip((raw, dark, inverse_gain), before, strict=True):
        np.testing.assert_array_equal(image, copy)


def test_below_the_dark_is_negative_and_no_response_is_zero():
    raw = np.array([[90, 100, 65_535]], np.uint16)
    dark = np.full((1, 3), 100, np.float32)
    inverse_gain = np.array([[2, 2, 0]], np.float32)
    out = np.empty((1, 3), np.float32)
    flat_field(raw, dark, inverse_gain, out)
    np.testing.assert_array_equal(out, [[-20, 0, 0]])


@given(hnp.arrays(np.uint16, SHAPE), images(0, 65_535), images(0, 4), images(-(2**-17), 2**-17))
@settings(max_examples=100, deadline=None)
def test_a_curved_response_is_straightened_as_written(raw, dark, inverse_gain, curvature):
    out = np.full(SHAPE, np.nan, np.float32)
    reference = np.float32(20_000)
    flat_field_curved(raw, dark, inverse_gain, curvature, reference, out)
    v = expected_of(raw, dark, inverse_gain)
    expected = v.astype(np.float64) * (1 + curvature.astype(np.float64) * (v - 20_000.0))
    # v is exact to the bit; three more operations of float32, on values up to 2.6e5·(1 + 2.1).
    np.testing.assert_allclose(out, expected, rtol=4e-7, atol=4e-7 * np.abs(v).max())


def test_no_curvature_changes_no_bit():
    rng = np.random.default_rng(1)
    raw = rng.integers(0, 65_536, (7, 9)).astype(np.uint16)
    dark, inverse = (rng.uniform(0.5, 300, (7, 9)).astype(np.float32) for _ in range(2))
    straight, curved = np.empty((2, 7, 9), np.float32)
    flat_field(raw, dark, inverse, straight)
    flat_field_curved(raw, dark, inverse, np.zeros_like(dark), np.float32(1e4), curved)
    np.testing.assert_array_equal(straight, curved)
