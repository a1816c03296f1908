from __future__ import annotations

import numpy as np
import pytest

from pipeline.simulation.carriage import CarriagePlan, run_carriage

PLAN = CarriagePlan(
    stops=200,
    step_mm=9.0,
    ramp_kv=(0.5, 0.8),
    slips=5,
    slip_mm=2.0,
    jitter_mm=0.1,
    scale_error=0.006,
    axial_mm=0.3,
)


def test_an_ideal_carriage_is_where_its_encoder_says() -> None:
    plan = CarriagePlan(stops=7, step_mm=9.0, drift=0.0, flicker=0.0)
    stops = run_carriage(plan, np.random.default_rng(1))
    assert len(stops) == 7
    for stop in stops:
        assert stop.position_mm == stop.encoder_mm
        assert (stop.axial_mm, stop.level, stop.ramping) == (0.0, 1.0, False)


def test_the_first_stop_is_the_datum_and_the_ramp_is_shot_there() -> None:
    stops = run_carriage(PLAN, np.random.default_rng(2))
    assert len(stops) == 202
    for stop, share in zip(stops[:3], (0.5, 0.8, 1.0), strict=True):
        assert (stop.encoder_mm, stop.position_mm, stop.axial_mm) == (0.0, 0.0, 0.0)
        assert stop.kv_share == share
        assert stop.ramping == (share < 1)


def test_what_goes_wrong_has_the_planned_size() -> None:
    stops = run_carriage(PLAN, np.random.default_rng(3))[2:]
    encoder = np.array([stop.encoder_mm for stop in stops])
    position = np.array([stop.position_mm for stop in stops])
    wrong = np.diff(position - encoder / 1.006)
    slips = np.abs(wrong) > 0.6  # jitter's difference: 0.14 mm, four deviations
    assert np.count_nonzero(slips) == 5
    assert np.abs(wrong[slips]).max() < 2.0 + 0.6
    # 194 differences of two jitters each: 5 % and correlated, 10 % is two deviations.
    assert wrong[~slips].std() == pytest.approx(0.1 * np.sqrt(2), rel=0.15)
    axial = np.array([stop.axial_mm for stop in stops])
    assert 0.05 < axial.std() < 0.9
    level = np.array([stop.level for stop in stops])
    assert 0.002 < level.std() < 0.03


def test_the_same_seed_gives_the_same_run_and_another_another() -> None:
    one, same = (run_carriage(PLAN, np.random.default_rng(4)) for _ in range(2))
    assert one == same
    assert one != run_carriage(PLAN, np.random.default_rng(5))
