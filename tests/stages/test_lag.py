"""Lag: what a panel with lag shows, undone."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.errors import CalibrationError
from pipeline.geometry import Panel
from pipeline.model import Frame
from pipeline.stages.lag import Lag, inverse_filter
from tests.stages.invented import calibration_of

PANEL = Panel(2, 3, 0.1)
FRACTIONS = st.lists(st.floats(0, 0.4), min_size=1, max_size=4)


@given(FRACTIONS, st.integers(1, 10))
@settings(deadline=None, derandomize=True)
def test_filter_times_lag_is_one_up_to_its_number_of_terms(
    fractions: list[float], terms: int
) -> None:
    weights = inverse_filter(fractions, terms)
    assert len(weights) == terms and weights[0] == 1
    product = np.convolve([1, *fractions], weights)[:terms]
    # Weights of at most (0.4 · 4)^9 = 70, in float64.
    np.testing.assert_allclose(product, np.eye(1, terms)[0], atol=1e-11)


@given(FRACTIONS, st.integers(0, 2**32 - 1))
@settings(max_examples=50, deadline=None, derandomize=True)
def test_a_scan_with_lag_comes_back_to_the_order_that_depth_allows(
    fractions: list[float], seed: int
) -> None:
    stage, calibration = Lag(fractions=tuple(fractions)), calibration_of(PANEL)
    depth = stage.depth(calibration)
    truth = np.random.default_rng(seed).uniform(0, 50_000, (8, 2, 3))
    shown = truth.copy()
    for k, fraction in enumerate(fractions, start=1):
        shown[k:] += fraction * truth[:-k]
    correct = stage.bind(calibration)
    frames = [
        Frame(k, v.astype(np.float32), np.zeros((2, 3), np.uint8)) for k, v in enumerate(shown)
    ]
    # What is left: the terms of filter * lag beyond the filter's length.
    beyond = np.convolve([1, *fractions], inverse_filter(fractions, depth + 1))[depth + 1 :]
    for k, frame in enumerate(frames):
        before = [frames[k - m] if k >= m else None for m in range(1, depth + 1)]
        left = sum(b * truth[k - m] for m, b in enumerate(beyond, start=depth + 1) if k - m >= 0)
        # float32 sums of 50,000 and its fractions.
        np.testing.assert_allclose(correct(frame, before).values, truth[k] + left, atol=0.1)


def test_five_per_cent_is_undone_to_six_millionths() -> None:
    beyond = np.convolve(
        [1, 0.05], inverse_filter([0.05], Lag(fractions=(0.05,)).depth(calibration_of(PANEL)) + 1)
    )
    assert abs(beyond[-1]) == pytest.approx(0.05**4)


@pytest.mark.parametrize("fractions", [(0.03,), (0.04, 0.01)])
def test_without_its_own_fractions_the_calibrations_count(fractions: tuple[float, ...]) -> None:
    calibration = calibration_of(PANEL, lag_fractions=fractions)
    now, earlier = (
        Frame(k, np.full((2, 3), v, np.float32), np.zeros((2, 3), np.uint8))
        for k, v in ((1, 1000.0), (0, 400.0))
    )
    corrected = Lag().bind(calibration)(now, [earlier])
    np.testing.assert_allclose(corrected.values, 1000 - 400 * fractions[0], rtol=1e-6)
    other = Lag(fractions=(0.1,)).bind(calibration)(now, [earlier])
    np.testing.assert_allclose(other.values, 960, rtol=1e-6)
    # Frames are kept for later ones: they stay as they were.
    assert (now.values == 1000).all() and (earlier.values == 400).all()


@pytest.mark.parametrize("before", [[], [None], [None, None, None]])
def test_missing_frames_count_as_dark(before: list[None]) -> None:
    frame = Frame(5, np.full((2, 3), 1000, np.float32), np.zeros((2, 3), np.uint8))
    corrected = Lag(fractions=(0.1,)).bind(calibration_of(PANEL))(frame, before)
    np.testing.assert_array_equal(corrected.values, 1000)


def test_nobody_knows_how_much_lag() -> None:
    calibration = calibration_of(PANEL)
    with pytest.raises(CalibrationError, match="neither the config nor the calibration"):
        Lag().bind(calibration)
    with pytest.raises(CalibrationError, match=r"stages\.lag\.fractions"):
        Lag().depth(calibration)


@pytest.mark.parametrize("fractions", [(-0.01,), (0.5,), (float("nan"),)])
def test_fractions_have_their_bounds(fractions: tuple[float, ...]) -> None:
    with pytest.raises(ValueError, match="fractions"):
        Lag(fractions=fractions)
