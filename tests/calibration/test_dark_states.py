"""The dark between darks: offset and current of every pixel, at any temperature and frame time."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from pipeline.calibration.dark_states import dark_at, dark_weights
from pipeline.calibration.product import CalibrationSet, DarkConditions
from pipeline.errors import CalibrationError
from pipeline.geometry import Panel
from tests.stages.invented import calibration_of

RNG = np.random.default_rng(3)
OFFSET = RNG.normal(300, 6, (30, 40))
CURRENT = RNG.gamma(2.0, 20.0, (30, 40))  # GV/s at 20 °C, with hot pixels


def true_dark(temperature_c: float, frame_time_s: float, doubling_c: float = 7.0) -> np.ndarray:
    return OFFSET + frame_time_s * CURRENT * 2 ** ((temperature_c - 20) / doubling_c)


def calibrated(*states: tuple[float | None, float | None], doubling_c: float = 7.0):
    """A calibration with noise-free darks; the first state belongs to the flats."""
    darks = [
        true_dark(20 if warm is None else warm, time or 2.0, doubling_c).astype(np.float32)
        for warm, time in states
    ]
    told = tuple(DarkConditions(*state) for state in states)
    usual = calibration_of(Panel(30, 40, 0.1), dark_conditions=told[0], dark_states=told[1:])
    return replace(usual, dark=darks[0], dark_states=tuple(darks[1:]))


def worst(made: CalibrationSet, warm: float | None, time: float | None, truth) -> float:
    found = dark_at(made, warm, time)
    assert found.dtype == np.float32
    return float(np.abs(found - truth).max())


# float32 at 1000 GV rounds to 6e-5; weights and sums of three: some of these.
EXACT_GV = 5e-4


def test_at_a_state_of_its_own_it_is_that_dark() -> None:
    made = calibrated((20, 2), (10, 2), (30, 2), (20, 4))
    for state, dark in zip(
        (made.facts.dark_conditions, *made.facts.dark_states),
        (made.dark, *made.dark_states),
        strict=True,
    ):
        found = dark_at(made, state.temperature_c, state.frame_time_s)
        np.testing.assert_array_equal(found, dark)


@pytest.mark.parametrize("doubling_c", [5.0, 7.0, 12.0])
def test_between_temperatures_growth_is_measured_where_three_are_known(doubling_c: float) -> None:
    made = calibrated((20, 2), (10, 2), (30, 2), doubling_c=doubling_c)
    truth = true_dark(25, 2, doubling_c)
    # The doubling is searched in steps of 2.3 %, so it is at most 1.2 % off; at the middle of a
    # step s of x doublings the share (2^(x/2) − 1)/(2^x − 1) then changes by at most
    # 0.012 · x · ln 2/8 = 0.2 % of the rise, which for the hottest pixel is:
    rise = float((true_dark(30, 2, doubling_c) - true_dark(20, 2, doubling_c)).max())
    assert worst(made, 25, 2, truth) < 0.003 * rise


def test_two_temperatures_take_the_usual_growth_for_granted() -> None:
    assert worst(calibrated((20, 2), (30, 2)), 26, 2, true_dark(26, 2)) < EXACT_GV


@pytest.mark.parametrize("time", [1.2, 2.0, 3.7])
def test_between_frame_times_it_is_straight(time: float) -> None:
    assert worst(calibrated((20, 1), (20, 4)), 20, time, true_dark(20, time)) < EXACT_GV


def test_both_at_once() -> None:
    made = calibrated((20, 2), (20, 4), (30, 2), (30, 4))
    assert worst(made, 24, 3, true_dark(24, 3)) < EXACT_GV


def test_a_drift_that_is_no_exponential_is_followed_too() -> None:
    """An offset that moves 1 GV a degree, no current: the straight line is among what is tried."""
    told = tuple(DarkConditions(warm, 2.0) for warm in (10.0, 20.0, 30.0))
    weights = dark_weights(told, [290.0, 300.0, 310.0], 27.0, 2.0)
    # With a doubling of 300 °C, the longest: the middle of 10 degrees is off by 0.3 %.
    assert weights[2] == pytest.approx(0.7, abs=0.01)
    assert sum(weights.values()) == pytest.approx(1)


def test_what_is_not_told_is_as_with_the_flats() -> None:
    made = calibrated((20, 2), (30, 2), (20, 4))
    np.testing.assert_array_equal(dark_at(made, None, None), made.dark)
    assert worst(made, None, 3, true_dark(20, 3)) < EXACT_GV
    one = calibrated((20, 2))
    assert dark_at(one, 35, 9) is one.dark  # one dark can't tell


def test_darks_without_a_temperature_serve_at_any() -> None:
    made = calibrated((None, 1), (None, 4))
    assert worst(made, 33, 2, true_dark(20, 2)) < EXACT_GV


@pytest.mark.parametrize("warm", [8.5, 31.9])
def test_a_little_beyond_the_last_darks_these_are_taken(warm: float) -> None:
    made = calibrated((10, 2), (30, 2))
    nearest = made.dark if warm < 20 else made.dark_states[0]
    np.testing.assert_array_equal(dark_at(made, warm, 2), nearest)


@pytest.mark.parametrize(
    ("warm", "time", "said"),
    [
        (33, 2, r"no darks for 33 °C: they were shot at 10, 30 °C"),
        (5, 2, "no darks for 5 °C"),
        (20, 8, r"no darks for a frame time of 8 s: they were shot at 2, 4 s"),
        (20, 1, "frame time of 1 s"),
    ],
)
def test_beyond_them_it_refuses(warm: float, time: float, said: str) -> None:
    made = calibrated((10, 2), (30, 2), (10, 4), (30, 4))
    with pytest.raises(CalibrationError, match=said):
        dark_at(made, warm, time)


def test_beyond_them_the_last_are_taken_if_told() -> None:
    made = calibrated((10, 2), (30, 2), (10, 4), (30, 4))
    np.testing.assert_array_equal(dark_at(made, 45, 9, beyond=True), made.dark_states[2])
    cold = dark_at(made, -5, 3, beyond=True)
    np.testing.assert_allclose(cold, true_dark(10, 3), atol=EXACT_GV)
