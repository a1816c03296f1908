from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from pipeline.model import PixelClass
from pipeline.simulation.detector import (
    CURVATURE_REFERENCE_GV,
    Detector,
    DetectorPlan,
    make_detector,
    record,
    respond,
)

PLAN = DetectorPlan(module_columns=64)


@pytest.fixture(scope="module")
def detector() -> Detector:
    return make_detector(200, 240, PLAN, np.random.default_rng(11))


def _has(detector: Detector, kind: PixelClass) -> np.ndarray:
    return (detector.classes & np.uint8(kind)) != 0


def test_every_class_of_bad_pixel_is_there_and_three_in_a_thousand_in_all(
    detector: Detector,
) -> None:
    for kind in PixelClass:
        assert _has(detector, kind).any(), kind.name
    # Clusters and the line are part of the share, so it is met exactly.
    assert np.count_nonzero(detector.classes) == round(0.003 * 200 * 240)
    row, column = np.argwhere(_has(detector, PixelClass.BAD_NEIGHBOURHOOD))[0]
    around = detector.classes[row - 1 : row + 2, column - 1 : column + 2]
    assert np.count_nonzero(around) == 9
    longest = max(_longest_run(line) for line in _has(detector, PixelClass.DEAD).T)
    assert longest >= 50


def _longest_run(line: np.ndarray) -> int:
    best = run = 0
    for bad in line:
        run = run + 1 if bad else 0
        best = max(best, run)
    return best


def test_good_pixels_respond_evenly_enough(detector: Detector) -> None:
    gain = detector.gain[detector.classes == 0]
    assert np.median(gain) == pytest.approx(1.0, abs=0.15)
    assert gain.min() / np.median(gain) > 0.6
    assert gain.max() / np.median(gain) < 1.3
    scatter = np.diff(detector.gain, axis=0)[(detector.classes[1:] | detector.classes[:-1]) == 0]
    # 1.2 % a pixel and 0.2 % a line, both twice in a difference: 1.72 %; 47,000 values: 0.3 %.
    assert scatter.std() == pytest.approx(0.0172, rel=0.1)


@pytest.mark.parametrize("signal_gv", [0.0, 3000.0, 20000.0])
def test_noise_has_the_variance_of_its_model(detector: Detector, signal_gv: float) -> None:
    signal = np.full((200, 240), signal_gv, dtype=np.float32)
    rng = np.random.default_rng(3)
    good = detector.classes == 0
    one, other = (record(detector, signal, (), rng).astype(float)[good] for _ in range(2))
    expected = PLAN.read_gv**2 + PLAN.slope_gv * signal_gv + 1 / 12  # rounding
    # A variance from 47,000 differences: known to √(2/47000) = 0.65 %; four times that.
    assert np.var(one - other) / 2 == pytest.approx(expected, rel=0.026)
    mean = np.mean(one - detector.dark[good])
    assert mean == pytest.approx(signal_gv, abs=4 * np.sqrt(expected / one.size))


@pytest.mark.parametrize("snr", [40.0, 150.0])
def test_gray_value_for_a_wanted_ratio_gives_that_ratio(snr: float) -> None:
    signal = PLAN.gray_value_for(snr)
    noise = np.sqrt(PLAN.read_gv**2 + PLAN.slope_gv * signal)
    assert signal / noise == pytest.approx(snr, rel=1e-12)


def test_lag_leaves_the_planned_parts_of_earlier_signals(detector: Detector) -> None:
    quiet = replace(detector, plan=replace(PLAN, read_gv=0.0, slope_gv=0.0))
    nothing = np.zeros((200, 240), dtype=np.float32)
    last, before = nothing + 20000, nothing + 10000
    rng = np.random.default_rng(3)
    left = record(quiet, nothing, (last, before), rng) - quiet.dark
    plain = (detector.classes == 0) | _has(detector, PixelClass.UNDER_RESPONDING)
    expected = PLAN.lag[0] * 20000 + PLAN.lag[1] * 10000
    np.testing.assert_allclose(left[plain], expected, atol=0.51)  # rounding to whole gray values
    assert (left[_has(detector, PixelClass.PERSISTENT)] > 10 * expected).all()


def test_lag_may_grow_from_column_to_column(detector: Detector) -> None:
    sloped = replace(detector, plan=replace(PLAN, read_gv=0.0, slope_gv=0.0, lag_slope=0.5))
    nothing = np.zeros((200, 240), dtype=np.float32)
    left = record(sloped, nothing, (nothing + 40000,), np.random.default_rng(3)) - sloped.dark
    plain = (detector.classes == 0) | _has(detector, PixelClass.UNDER_RESPONDING)
    expected = PLAN.lag[0] * 40000 * np.linspace(0.5, 1.5, 240) * np.ones((200, 1))
    np.testing.assert_allclose(left[plain], expected[plain], atol=0.51)


def test_bad_pixels_behave_as_their_class_says(detector: Detector) -> None:
    rng = np.random.default_rng(4)
    dose = np.full((200, 240), 18000.0, dtype=np.float32)
    signal = respond(detector, dose)
    frames = np.stack([record(detector, signal, (), rng) for _ in range(8)]).astype(float)
    dead = _has(detector, PixelClass.DEAD)
    assert (frames[:, dead] == frames[0, dead]).all()
    noisy = _has(detector, PixelClass.NOISY)
    good = detector.classes == 0
    assert frames[:, noisy].std(axis=0).mean() > 1.5 * frames[:, good].std(axis=0).mean()
    response = (frames.mean(axis=0) - detector.dark) / np.median(frames[:, good] - 300)
    assert response[_has(detector, PixelClass.UNDER_RESPONDING)].max() < 0.6
    assert response[_has(detector, PixelClass.OVER_RESPONDING)].min() > 1.3


def test_non_uniform_pixels_bend_with_dose(detector: Detector) -> None:
    bent = _has(detector, PixelClass.NON_UNIFORM)
    low, high = (
        respond(detector, np.full((200, 240), dose, dtype=np.float32)) for dose in (4e3, 4e4)
    )
    ratio = high[bent] / low[bent]
    # 8 % and more of bending over the reference, over a change of 36,000 GV.
    assert (np.abs(ratio / 10 - 1) > 0.08 * 0.5 * 36000 / CURVATURE_REFERENCE_GV).all()
    good = detector.classes == 0
    np.testing.assert_allclose(high[good] / low[good], 10, rtol=1e-6)


def test_the_converter_cuts_at_its_ends(detector: Detector) -> None:
    rng = np.random.default_rng(5)
    for dose, end in ((1e6, 65535), (-1e6, 0)):
        frame = record(detector, np.full((200, 240), dose, dtype=np.float32), (), rng)
        assert frame.dtype == np.uint16
        assert (frame[detector.classes == 0] == end).all()


def test_recording_leaves_its_inputs_alone(detector: Detector) -> None:
    signal = np.full((200, 240), 5000.0, dtype=np.float32)
    record(detector, signal, (signal,), np.random.default_rng(5))
    assert (signal == 5000.0).all()


def test_a_panel_without_room_for_its_faults_is_refused() -> None:
    with pytest.raises(ValueError, match="32×240 is too small: 64×64"):
        make_detector(32, 240, PLAN, np.random.default_rng(1))
