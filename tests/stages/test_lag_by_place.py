"""Lag that is not alike over the panel: a simulated panel measured, and its ghosts taken away."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from pipeline.calibration.exposure_reader import ExposureReader
from pipeline.calibration.lag_shares import lag_shares
from pipeline.calibration.product import CalibrationSet, NoiseModel
from pipeline.calibration.step_off import LagPlan, read_step_offs
from pipeline.geometry import Panel
from pipeline.model import Frame
from pipeline.simulation.detector import Detector, DetectorPlan, make_detector, record
from pipeline.stages.lag import Lag
from tests.calibration.simulated_panel import SimulatedExposures, SimulatedPanel
from tests.stages.invented import calibration_of

ROWS, COLUMNS = 256, 384
PANEL = Panel(ROWS, COLUMNS, 0.1)
LAG = (0.02, 0.006, 0.002)
LIT_GV = 20_000.0


class StepOff(SimulatedExposures):
    """Four lit frames of a panel that was lit before, then fourteen dark ones."""

    detector: Detector

    def read(self, index: int, out: np.ndarray) -> None:
        lit = np.full((ROWS, COLUMNS), LIT_GV, np.float32)
        earlier = [lit if index - k < 4 else lit * 0 for k in range(1, len(LAG) + 1)]
        rng = np.random.default_rng([9, index])
        out[:] = record(self.detector, lit * (index < 4), earlier, rng)


def plain_panel(lag_slope: float) -> Detector:
    plan = DetectorPlan(lag=LAG, lag_slope=lag_slope, read_gv=6.0)
    panel = make_detector(64, 64, plan, np.random.default_rng(1))
    none = np.zeros(0, dtype=np.int64)
    nothing = np.zeros(0, dtype=np.float32)
    return replace(
        panel,
        dark=np.full((ROWS, COLUMNS), 300, np.float32),
        gain=np.ones((ROWS, COLUMNS), np.float32),
        classes=np.zeros((ROWS, COLUMNS), np.uint8),
        curved=none,
        curvature=nothing,
        persistent=none,
        persistence=nothing,
        noisy=none,
        noise_gv=nothing,
        stuck=none,
        stuck_gv=nothing,
    )


def calibrated(detector: Detector) -> CalibrationSet:
    """As ``build`` does it, with the true dark."""
    source = StepOff(SimulatedPanel(64, 64), 18, None, 1.0, 1)
    source.detector = detector
    noise = NoiseModel(detector.plan.read_gv**2, detector.plan.slope_gv)
    reader = ExposureReader(ROWS, COLUMNS, 1, None)
    found = read_step_offs(reader, [source], detector.dark, noise, LagPlan(3, (4, 4)))
    assert found is not None
    shares = lag_shares(found.lag)
    return calibration_of(
        PANEL,
        noise,
        lag_fractions=found.lag.fractions,
        lag_shares=() if shares is None else tuple(map(tuple, shares.tolist())),
    )


def ghosts(detector: Detector, calibration: CalibrationSet) -> np.ndarray:
    """What is left of bright frames in a dim one after them, GV, free of noise: 4 x 8 places.

    Taken off are the 2,000 GV of the dim one itself, so shading of these counts too.
    """
    share = detector.plan.lag_share(COLUMNS)
    doses = [LIT_GV] * 6 + [2_000.0]
    # The gain is made from flats that lag too: all frames are divided by what these have in them.
    gain = (1 + share * sum(LAG)) / (1 + sum(LAG))
    shown = [
        (dose + share * sum(f * doses[n - k] for k, f in enumerate(LAG, 1) if n >= k)) / gain
        for n, dose in enumerate(doses)
    ]
    frames = [
        Frame(
            n,
            np.broadcast_to(row, (ROWS, COLUMNS)).astype(np.float32),
            np.zeros((ROWS, COLUMNS), np.uint8),
        )
        for n, row in enumerate(shown)
    ]
    stage = Lag()
    depth = stage.depth(calibration)
    before = frames[-2 : -2 - depth : -1]
    kept = [frame.values.copy() for frame in before]
    left = stage.bind(calibration)(frames[-1], before).values - 2_000
    for frame, values in zip(before, kept, strict=True):
        np.testing.assert_array_equal(frame.values, values)
    return np.abs(left).reshape(4, ROWS // 4, 8, COLUMNS // 8).max(axis=(1, 3))


@pytest.mark.parametrize("slope", [0.25, -0.5])
def test_lag_that_differs_is_corrected_where_it_is(slope: float) -> None:
    detector = plain_panel(slope)
    calibration = calibrated(detector)
    assert np.shape(calibration.facts.lag_shares) == (4, 4)
    alike = replace(calibration, facts=replace(calibration.facts, lag_shares=()))
    by_place, by_panel = ghosts(detector, calibration), ghosts(detector, alike)
    # Untouched: 20,000 · 0.028 · |slope| at the sides is what one value for all leaves there.
    assert by_panel[:, [0, -1]].min() > 0.7 * LIT_GV * sum(LAG) * abs(slope)
    # A part is known from the middle halves of 6 cells of 1024 pixels with a noise of 6 GV and the
    # quanta of up to 840 GV: 1.1 · √(36 + 756)/√6144 = 0.4 GV. Carried on in a straight line to a
    # corner that is √(1.5² + 0.5²)² = 2.5 times as much; 3.5 σ of the worst of four, and what the
    # filter's bend between knots leaves: (0.25/2 · 0.028)² · 20,000 = 0.25 GV.
    assert by_place.max() < 3.5 * 2.5 * 0.4 + 0.25
    assert by_place.max() < 0.05 * by_panel.max()


def test_uniform_lag_is_corrected_as_by_one_value() -> None:
    detector = plain_panel(0.0)
    calibration = calibrated(detector)
    assert calibration.facts.lag_shares == ()
    # 1.1 · √540/√98,304 = 0.08 GV of 560, and so much again from each of the other two fractions,
    # whose errors this sequence of frames adds up; 4 σ.
    assert ghosts(detector, calibration).max() < 4 * np.sqrt(3) * 0.08


def test_shares_of_one_are_the_same_as_none() -> None:
    none = calibration_of(PANEL, lag_fractions=LAG)
    ones = calibration_of(PANEL, lag_fractions=LAG, lag_shares=((1.0, 1.0), (1.0, 1.0)))
    detector = plain_panel(0.4)
    # float32 of weights of 0.02 and of 20,000 GV.
    np.testing.assert_allclose(ghosts(detector, ones), ghosts(detector, none), atol=0.01)


def test_fractions_of_the_config_count_alike_everywhere() -> None:
    shares = ((0.5, 1.5),)
    told = calibration_of(PANEL, lag_fractions=LAG, lag_shares=shares)
    frame = Frame(
        0, np.full((ROWS, COLUMNS), 1000, np.float32), np.zeros((ROWS, COLUMNS), np.uint8)
    )
    alike = Lag(fractions=(0.1,)).bind(told)(frame, [frame]).values
    np.testing.assert_allclose(alike, 900, rtol=1e-6)
    by_place = Lag().bind(told)(frame, [frame]).values
    # Linear through the middles of both halves, at a quarter and at three quarters.
    place = (np.arange(COLUMNS) + 0.5) / COLUMNS
    share = 1 + 2 * (place - 0.5)
    flats = (1 + share * sum(LAG)) / (1 + sum(LAG))
    # What is linear from knot to knot is the product: off by (1/2)² · 0.02 · 0.028 = 1.4e-4.
    expected = 1000 * flats * (1 - LAG[0] * share)
    np.testing.assert_allclose(by_place, np.broadcast_to(expected, by_place.shape), rtol=1.5e-4)


@pytest.mark.parametrize("slope", [0.25, -0.5])
def test_flats_as_frames_stay_flat(slope: float) -> None:
    """What every frame shows alike the flats show too: to correct it by place must not shade it."""
    detector = plain_panel(slope)
    calibration = calibrated(detector)
    stage = Lag()
    flat = Frame(
        0, np.full((ROWS, COLUMNS), LIT_GV, np.float32), np.zeros((ROWS, COLUMNS), np.uint8)
    )
    corrected = stage.bind(calibration)(flat, [flat] * stage.depth(calibration)).values
    # Weights between knots: (0.25/2)² · 0.028²; the filter's end: 0.028³ and less. Of 0.028·|slope|
    # that the lag itself differs by.
    assert np.ptp(corrected) < 1e-4 * LIT_GV
    assert corrected.mean() == pytest.approx(LIT_GV / (1 + sum(LAG)), rel=1e-4)
