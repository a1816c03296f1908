"""Each bad-pixel class on small arrays with known flaws."""

import numpy as np
import pytest

from pipeline.calibration.classify import (
    BadPixelLimits,
    bad_neighbourhood,
    classify_noisy,
    classify_persistent,
    classify_response,
    count_classes,
    uniformity_deviation,
)
from pipeline.model import PixelClass

LIMITS = BadPixelLimits()
SHAPE = 64, 80
MANY = 10_000  # frames: the median of variances is the variance


def classify(*signals, limits=LIMITS, clipped=None, several_doses=False):
    clipped = np.zeros(SHAPE, bool) if clipped is None else clipped
    return classify_response(
        [signal.astype(np.float32) for signal in signals],
        clipped,
        limits,
        several_doses=several_doses,
    )


@pytest.mark.parametrize(
    ("response", "expected"),
    [
        (0.0, PixelClass.DEAD),
        (-0.3, PixelClass.DEAD),
        (0.045, PixelClass.DEAD),
        (0.055, PixelClass.UNDER_RESPONDING),
        (0.59, PixelClass.UNDER_RESPONDING),
        (0.61, 0),
        (1.0, 0),
        (1.29, 0),
        (1.31, PixelClass.OVER_RESPONDING),
        (5.0, PixelClass.OVER_RESPONDING),
    ],
)
@pytest.mark.parametrize("place", [(0, 0), (0, 40), (30, 79), (31, 33)])
def test_response_against_the_neighbourhood(response, expected, place):
    signal = np.full(SHAPE, 8000.0)
    signal[place] *= response
    classes = classify(signal)
    assert classes[place] == expected
    assert np.count_nonzero(classes) == (expected != 0)


@pytest.mark.parametrize(
    ("limits", "response", "expected"),
    [
        (BadPixelLimits(under_responding=0.8), 0.75, PixelClass.UNDER_RESPONDING),
        (BadPixelLimits(under_responding=0.4), 0.5, 0),
        (BadPixelLimits(over_responding=1.1), 1.2, PixelClass.OVER_RESPONDING),
        (BadPixelLimits(over_responding=2.0), 1.8, 0),
        (BadPixelLimits(dead_response=0.2), 0.15, PixelClass.DEAD),
        (BadPixelLimits(dead_response=0.01), 0.02, PixelClass.UNDER_RESPONDING),
        (BadPixelLimits(neighbourhood_px=5), 0.5, PixelClass.UNDER_RESPONDING),
        (BadPixelLimits(neighbourhood_px=31), 0.5, PixelClass.UNDER_RESPONDING),
    ],
)
def test_response_limits_are_parameters(limits, response, expected):
    signal = np.full(SHAPE, 8000.0)
    signal[20, 20] *= response
    assert classify(signal, limits=limits)[20, 20] == expected


@pytest.mark.parametrize("line", [np.s_[:, :10], np.s_[:, -1:], np.s_[27:37], np.s_[-10:]])
def test_lines_up_to_ten_pixels_wide_are_found_and_nothing_beside_them(line):
    _, x = np.mgrid[: SHAPE[0], -1 : 1 : SHAPE[1] * 1j]
    signal = 8000 * (1 + 0.4 * x**2) ** -1.5
    expected = np.zeros(SHAPE, bool)
    expected[line] = True
    signal[expected] *= 0.4
    np.testing.assert_array_equal(classify(signal) == PixelClass.UNDER_RESPONDING, expected)


def test_the_inside_of_a_wide_dead_patch_is_dead():
    signal = np.full((128, 160), 8000.0)
    signal[30:90, 40:120] = 1.0
    classes = classify(signal, clipped=np.zeros(signal.shape, bool))
    np.testing.assert_array_equal(classes == PixelClass.DEAD, signal == 1)


def test_a_constant_answer_is_dead_when_doses_differ():
    low, high = np.full(SHAPE, 4000.0), np.full(SHAPE, 12000.0)
    low[5, 5] = high[5, 5] = 7000  # a stuck value above the dark
    assert classify(low, high, several_doses=True)[5, 5] == PixelClass.DEAD
    assert classify(low, high)[5, 5] == PixelClass.UNDER_RESPONDING | PixelClass.OVER_RESPONDING


def test_a_clipped_pixel_is_over_responding():
    clipped = np.zeros(SHAPE, bool)
    clipped[9, 9] = True
    classes = classify(np.full(SHAPE, 8000.0), clipped=clipped)
    assert classes[9, 9] == PixelClass.OVER_RESPONDING
    assert np.count_nonzero(classes) == 1


@pytest.mark.parametrize(
    ("factor", "std", "noisy"), [(6, 23, False), (6, 25, True), (3, 13, True), (10, 39, False)]
)
def test_noisy_against_the_panels_median(factor, std, noisy):
    variance = np.full(SHAPE, 16, np.float32)
    variance[3, 4] = std**2
    found = classify_noisy(variance, MANY, BadPixelLimits(noisy_factor=factor))
    assert found[3, 4] == noisy
    assert np.count_nonzero(found) == noisy


def test_a_noiseless_panel_counts_rounding_as_its_noise():
    variance = np.zeros(SHAPE, np.float32)
    variance[0, :2] = 1.0, 4.0  # limit: 6/√12 = 1.73 GV
    np.testing.assert_array_equal(np.argwhere(classify_noisy(variance, MANY, LIMITS)), [[0, 1]])


@pytest.mark.parametrize("frames", [2, 3, 5, 30])
def test_the_noisy_limit_holds_for_few_frames_too(frames):
    rng = np.random.default_rng(frames)
    values = 7 * rng.standard_normal((frames, 400, 500))
    values[:, ::20, ::20] *= 100
    variance = values.var(axis=0, ddof=1).astype(np.float32)
    found = classify_noisy(variance, frames, LIMITS)
    # Two frames of 100 times the noise agree to within 6 std in 5 % of cases; 500 pixels, 4 std.
    assert np.mean(found[::20, ::20]) > 1 - (0.09 if frames == 2 else 0.01)
    found[::20, ::20] = False
    assert not found.any()


def after_the_beam(lag_gv, noise_gv, *, shape=(400, 500), seed=6):
    """Lag that falls to two thirds at the edges, and noise; the smooth part and the frame."""
    _, x = np.mgrid[: shape[0], -1 : 1 : shape[1] * 1j]
    lag = (lag_gv * (1 - x**2 / 3)).astype(np.float32)
    noise = np.random.default_rng(seed).normal(0, noise_gv, shape)
    return lag, (lag + noise).astype(np.float32)


@pytest.mark.parametrize(
    ("factor", "kept", "persistent"),
    [(2, 1.9, False), (2, 2.2, True), (3, 2.7, False), (3, 3.4, True)],
)
def test_persistent_against_the_neighbours_lag(factor, kept, persistent):
    lag, after = after_the_beam(90, 1.0)
    places = np.s_[5::20, 7::20]
    after[places] = kept * lag[places]
    found = classify_persistent(after, 1.0, BadPixelLimits(persistent_factor=factor))
    # The median's steps: 2·(90 + 10)/254 = 0.8 GV, its noise 1.25/9 GV: 2 % of 60 GV with factor 2.
    assert np.all(found[places] == persistent)
    found[places] = False
    assert not found.any()


@pytest.mark.parametrize("lag_gv", [0.0, -3.0, 5.0, 60.0])
@pytest.mark.parametrize("told_gv", [4.0, 14.0])
def test_noise_alone_makes_no_pixel_persistent(lag_gv, told_gv):
    """Not even where the frame has more noise than is told: lag brings quantum noise of its own."""
    _, after = after_the_beam(lag_gv, 14.0)
    # 5 std above: 3e-7 of 200,000 pixels; the median adds 1.25/9 in quadrature.
    assert np.count_nonzero(classify_persistent(after, told_gv, LIMITS)) <= 1


def test_where_there_is_no_lag_noise_is_the_measure():
    _, after = after_the_beam(0, 4.0)
    after[100, 100], after[50, 60] = 45.0, 12.0
    found = classify_persistent(after, 4.0, LIMITS)
    assert found[100, 100]
    assert np.count_nonzero(found) == 1


@pytest.mark.parametrize("size_px", [3, 9, 31])
def test_the_neighbourhood_of_persistent_pixels_is_a_parameter(size_px):
    """A patch that keeps more is persistent only as seen from a neighbourhood larger than it."""
    _, after = after_the_beam(90, 0.5)
    after[200:212, 200:212] *= 4
    found = classify_persistent(after, 0.5, BadPixelLimits(persistent_px=size_px))
    assert found[205, 205] == (size_px == 31)


@pytest.mark.parametrize("deviation", [-0.04, -0.011, 0.0, 0.009, 0.02])
def test_uniformity_is_the_deviation_from_the_neighbourhood(deviation):
    corrected = np.ones(SHAPE, np.float32)
    corrected[20, 30] += deviation
    # Steps of the neighbourhood's median: span 0.05 / 250.
    assert uniformity_deviation(corrected, LIMITS)[20, 30] == pytest.approx(deviation, abs=2e-4)


def test_bad_neighbourhood_needs_all_eight_and_the_outside_counts_as_bad():
    classes = np.full((9, 9), PixelClass.DEAD, np.uint8)
    classes[0, 0] = classes[4, 4] = classes[8, 3] = classes[6, 7] = classes[6, 8] = 0
    expected = {(0, 0), (4, 4), (8, 3)}
    assert {tuple(place) for place in np.argwhere(bad_neighbourhood(classes))} == expected


def test_counts_name_every_class_and_the_total():
    classes = np.zeros((4, 4), np.uint8)
    classes[0, 0] = PixelClass.NOISY | PixelClass.NON_UNIFORM
    classes[1, 1] = PixelClass.NOISY
    assert count_classes(classes) == {
        "dead": 0,
        "under_responding": 0,
        "over_responding": 0,
        "noisy": 2,
        "non_uniform": 1,
        "persistent": 0,
        "bad_neighbourhood": 0,
        "total": 2,
    }
