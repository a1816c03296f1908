"""Non-uniform pixels: found on independent flats, with a limit that noise allows."""

import numpy as np
import pytest

from pipeline.calibration.classify import BadPixelLimits
from pipeline.calibration.levels import Level
from pipeline.calibration.product import NoiseModel
from pipeline.calibration.uniformity import FALSE_ALARMS, find_non_uniform, independent_tests

NOISE = NoiseModel(offset=16, slope=0.9)
SHAPE = 300, 400
DARK_FRAMES = 10


def flats(*, signal_gv, frames, seed, deviation=None):
    rng = np.random.default_rng(seed)
    response = np.random.default_rng(1).normal(1, 0.05, SHAPE)
    signal = signal_gv * response * (1 if deviation is None else 1 + deviation)
    signal += rng.normal(0, np.sqrt((NOISE.offset + NOISE.slope * signal) / frames))
    dark_error = np.random.default_rng(9).normal(0, np.sqrt(NOISE.offset / DARK_FRAMES), SHAPE)
    image = (signal - dark_error).astype(np.float32)
    return Level(None, frames, image, float(np.median(image)))


def find(tests, limits=None, good=None):
    good = np.ones(SHAPE, bool) if good is None else good
    return find_non_uniform(tests, NOISE, DARK_FRAMES, good, limits or BadPixelLimits())


@pytest.mark.parametrize("levels", [2, 3])
@pytest.mark.parametrize("frames", [2, 20, 200])
@pytest.mark.parametrize("signal_gv", [300, 20_000])
def test_noise_alone_flags_next_to_nothing(levels, frames, signal_gv):
    exposures = [
        flats(signal_gv=signal_gv * (1 + i), frames=frames, seed=i + 2) for i in range(levels)
    ]
    tests = [(one, [other for other in exposures if other is not one]) for one in exposures]
    found = find(tests if levels > 2 else tests[:1])
    # Expected at most FALSE_ALARMS of 120,000 pixels = 4.8; Poisson: 16 is 5 std up.
    assert np.count_nonzero(found.failing) <= 16
    assert FALSE_ALARMS * found.failing.size == pytest.approx(4.8)


@pytest.mark.parametrize("wanted", [0.005, 0.01, 0.03])
def test_the_limit_is_the_wanted_one_when_noise_allows(wanted):
    first, second = (flats(signal_gv=20_000, frames=400, seed=seed) for seed in (2, 3))
    found = find([(first, [second])], BadPixelLimits(non_uniform=wanted))
    assert found.limit == pytest.approx(wanted)


def test_the_limit_widens_with_noise():
    first, second = (flats(signal_gv=20_000, frames=2, seed=seed) for seed in (2, 3))
    found = find([(first, [second])])
    # One flat's SNR is 149; two halves of two frames: √2/(149·√2) = 0.67 %, times 4.11.
    assert found.limit == pytest.approx(4.11 * 0.0067, rel=0.01)
    # 120,000 pixels: 0.4 % of the spread; the neighbours' median adds 1 %.
    assert found.spread == pytest.approx(0.0067, rel=0.02)


@pytest.mark.parametrize("sign", [-1, 1])
def test_deviating_pixels_are_found(sign):
    deviation = np.zeros(SHAPE)
    deviation[5::11, 5::11] = sign * 0.015  # 1.5 times the limit
    first = flats(signal_gv=20_000, frames=40, seed=2, deviation=deviation)
    second = flats(signal_gv=20_000, frames=40, seed=3)
    found = find([(first, [second])])
    # Noise 0.15 %: the limit of 1 % lies 3.3 std below 1.5 %.
    assert np.mean(found.failing[deviation != 0]) > 0.99
    assert np.count_nonzero(found.failing[deviation == 0]) <= 16


def test_pixels_without_response_are_not_judged():
    first, second = (flats(signal_gv=20_000, frames=100, seed=seed) for seed in (2, 3))
    good = np.ones(SHAPE, bool)
    for image in (first.signal, second.signal):
        image[40, 50], image[60:70, 70] = -3, 0
    good[40, 50] = False
    found = find([(first, [second])], good=good)
    assert not found.failing[40, 50]
    assert not found.failing[60:70, 70].any()
    assert np.isfinite(found.limit)


@pytest.mark.parametrize("off", [0, 1])
def test_a_pixel_that_dies_between_the_sets_fails(off):
    sets = [flats(signal_gv=20_000, frames=100, seed=seed) for seed in (2, 3)]
    sets[off].signal[40, 50] = -3
    assert find([(sets[0], sets[1:])]).failing[40, 50]


def test_each_set_is_tested_against_the_others():
    one, two, three = (flats(signal_gv=9000, frames=4, seed=seed) for seed in (2, 3, 4))
    names = {id(one): "one", id(two): "two", id(three): "three"}

    def told(tests):
        return [(names[id(tested)], [names[id(o)] for o in others]) for tested, others in tests]

    assert told(independent_tests([one], [two, three])) == [("two", ["three"])]
    assert told(independent_tests([one, two], [])) == [("one", ["two"])]
    assert told(independent_tests([one, two, three], [])) == [
        ("one", ["two", "three"]),
        ("two", ["one", "three"]),
        ("three", ["one", "two"]),
    ]


@pytest.mark.parametrize("odd", [0, 1, 2])
def test_a_pixel_off_in_one_set_only_is_found(odd):
    deviation = np.zeros(SHAPE)
    deviation[7::12, 3::11] = 0.03
    sets = [
        flats(signal_gv=20_000, frames=20, seed=k + 2, deviation=deviation * (k == odd))
        for k in range(3)
    ]
    found = find(independent_tests(sets, []))
    # Noise of a set over the others' mean: √(1/20 + 1/40)/149 = 0.18 %; 3 % is far beyond 1 %.
    assert np.all(found.failing[deviation != 0])
    assert np.count_nonzero(found.failing[deviation == 0]) <= 16
