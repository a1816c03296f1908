"""Pixels that are only bad late in the shift or only hot, found by comparing sets of darks."""

import numpy as np
import pytest

from pipeline.calibration.classify import BadPixelLimits, classify_noisy
from pipeline.calibration.cross_check import noisy_in_any, unsteady_dark
from pipeline.calibration.product import NoiseModel
from pipeline.calibration.statistics import PixelStatistics

SHAPE = 200, 240
READ_GV = 10.0
LIMITS = BadPixelLimits()
PLACES = np.s_[9::21, 5::17]


def drifted(level_gv):
    """A smooth change of the whole panel's dark."""
    y, x = np.mgrid[-1 : 1 : SHAPE[0] * 1j, -1 : 1 : SHAPE[1] * 1j]
    return level_gv * (1 + 0.4 * x - 0.3 * y + 0.2 * x * y)


def darks(frames, seed, *, step_gv=0.0, std_gv=READ_GV, drift_gv=0.0):
    """A set's statistics: pixels at PLACES lie ``step_gv`` higher or scatter by ``std_gv``."""
    rng = np.random.default_rng(seed)
    std = np.full(SHAPE, READ_GV)
    std[PLACES] = std_gv
    values = 300 + drifted(drift_gv) + std * rng.standard_normal((frames, *SHAPE))
    values[(slice(None), *PLACES)] += step_gv
    variance = values.var(axis=0, ddof=1) if frames > 1 else np.zeros(SHAPE)
    return PixelStatistics(
        values.mean(axis=0).astype(np.float32), variance.astype(np.float32), frames, 0
    )


def assert_only_places(found):
    assert np.all(found[PLACES])
    found[PLACES] = False
    assert not found.any()


def test_a_pixel_noisy_in_one_set_only_is_found():
    """15 times the panel's noise in the hot set, none in the cold ones."""
    cold = [darks(10, 1), darks(10, 2)]
    hot = [darks(10, 3, std_gv=15 * READ_GV, drift_gv=200)]
    assert_only_places(noisy_in_any([cold, hot], LIMITS))
    assert not noisy_in_any([cold], LIMITS).any()


@pytest.mark.parametrize("drift_gv", [0, 40, -150])
def test_a_dark_that_steps_late_in_the_shift_is_noise(drift_gv):
    """Between two sets of equal length a step of 16 std is a standard deviation of 8, over 6."""
    sets = [darks(12, 1), darks(12, 2, step_gv=16 * READ_GV, drift_gv=drift_gv)]
    assert not any(classify_noisy(one.variance, 12, LIMITS).any() for one in sets)
    assert_only_places(noisy_in_any([sets], LIMITS))


def test_a_small_step_is_none():
    """8 std: a standard deviation of 4, under 6."""
    sets = [darks(12, 1), darks(12, 2, step_gv=8 * READ_GV)]
    assert not noisy_in_any([sets], LIMITS).any()
    assert_only_places(noisy_in_any([sets], BadPixelLimits(noisy_factor=3.0)))


def test_sets_of_one_frame_are_judged_together():
    sets = [darks(1, seed, step_gv=(seed % 2) * 30 * READ_GV) for seed in range(8)]
    assert_only_places(noisy_in_any([sets], LIMITS))
    assert not noisy_in_any([sets[:1]], LIMITS).any()


NOISE = NoiseModel(offset=READ_GV**2, slope=0.9)


@pytest.mark.parametrize("step_gv", [-300, 300])
def test_a_dark_that_runs_away_when_hot_is_unsteady(step_gv):
    sets = [
        [darks(10, seed, step_gv=step, drift_gv=drift)]
        for seed, step, drift in ((1, 0, 0), (2, step_gv / 5, 60), (3, step_gv, 180))
    ]
    times = [None] * 3
    # 1 % of 20,000 GV is 200; of 40,000 it is 400.
    assert_only_places(unsteady_dark(sets, times, NOISE, 20_000, LIMITS))
    assert not unsteady_dark(sets, times, NOISE, 40_000, LIMITS).any()
    strict = BadPixelLimits(non_uniform=0.005)
    assert_only_places(unsteady_dark(sets, times, NOISE, 40_000, strict))
    assert not unsteady_dark(sets[:1], times[:1], NOISE, 20_000, LIMITS).any()


def test_a_dark_that_grows_with_frame_time_is_not():
    sets = [[darks(10, 1)], [darks(10, 2, step_gv=300)], [darks(10, 3, step_gv=300)]]
    assert not unsteady_dark(sets, [0.5, 5.0, 5.0], NOISE, 20_000, LIMITS).any()
    assert_only_places(unsteady_dark(sets, [0.5, 5.0, 0.5], NOISE, 20_000, LIMITS))


@pytest.mark.parametrize("told_gv", [1.0, READ_GV])
def test_noise_alone_is_not_unsteady(told_gv):
    """A faint flat, 1 % of which lies far within the noise; and hot sets noisier than was told."""
    sets = [[darks(3, seed, std_gv=READ_GV)] for seed in range(3)]
    # The span of three is beyond 6·√2 std of one in less than one of 10⁸ pixels.
    assert not unsteady_dark(sets, [None] * 3, NoiseModel(told_gv**2, 0.9), 100, LIMITS).any()
