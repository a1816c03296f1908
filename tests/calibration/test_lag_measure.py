"""Lag fractions of sequences made by the model itself, and sequences that are none."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.calibration.lag_measure import find_step, measure_lag
from pipeline.errors import CalibrationError
from pipeline.stages.lag import inverse_filter


def shown(exposures: list[float], fractions: tuple[float, ...]) -> np.ndarray:
    """What a panel shows that was lit like in the first frame before it."""
    before = [exposures[0]] * len(fractions) + exposures
    now = len(fractions)
    return np.array(
        [
            before[n] + sum(f * before[n - i] for i, f in enumerate(fractions, start=1))
            for n in range(now, len(before))
        ]
    )


def in_parts(levels: np.ndarray, parts: tuple[int, int] = (2, 3)) -> np.ndarray:
    return levels[:, None, None] * np.ones(parts)


SEQUENCES = [
    [20_000.0] * 4 + [0.0] * 3,
    [20_000.0, 20_300.0, 19_800.0, 8_000.0, 0.0, 0.0, 0.0],  # ends within the fourth frame
    [20_000.0] * 3 + [0.0] * 16,
]


@pytest.mark.parametrize("exposures", SEQUENCES)
@pytest.mark.parametrize("fractions", [(0.003, 0.001), (0.05, 0.02), (0.08, 0.0)])
def test_known_fractions_come_back(exposures: list[float], fractions: tuple[float, ...]) -> None:
    levels = shown(exposures, fractions)
    step = find_step(levels, "step_off")
    assert exposures[step.first_off] == 0 and exposures[step.first_off - 1] > 0
    found = measure_lag(in_parts(levels), step, 2, 0.01, "step_off")
    real = tuple(one for one in fractions if one)  # a last one of nothing is left out
    assert found.fractions == pytest.approx(real, abs=1e-9)
    total = sum(fractions)
    assert found.first_frame == pytest.approx(total / (1 + total))
    assert found.second_frame == pytest.approx(fractions[1] / (1 + total), abs=1e-9)
    np.testing.assert_allclose(found.regions, found.first_frame)
    assert found.regions.shape == (2, 3)


@pytest.mark.parametrize("fractions", [(0.02,), (0.03, 0.01, 0.004)])
def test_as_many_fractions_as_asked_for(fractions: tuple[float, ...]) -> None:
    levels = shown([10_000.0] * 5 + [0.0] * 5, fractions)
    terms = len(fractions)
    found = measure_lag(in_parts(levels), find_step(levels, ""), terms, 0.01, "")
    assert found.fractions == pytest.approx(fractions, abs=1e-9)


def test_of_a_short_sequence_the_last_fraction_stands_for_the_rest() -> None:
    levels = shown([20_000.0] * 2 + [0.0] * 2, (0.03, 0.01, 0.004))
    found = measure_lag(in_parts(levels), find_step(levels, ""), 4, 0.01, "")
    # In units of what the lit frames show, 1.044 of an exposure: within that.
    assert found.fractions == pytest.approx((0.03, 0.014), rel=0.01)


def test_what_is_measured_undoes_lag_in_the_stage() -> None:
    fractions = (0.05, 0.02)
    levels = shown([20_000.0] * 4 + [0.0] * 4, fractions)
    found = measure_lag(in_parts(levels), find_step(levels, ""), 2, 0.01, "")
    weights = inverse_filter(found.fractions, 8)
    rested = shown([0.0, 0.0, 9_000.0, 3_000.0, 0.0, 0.0, 0.0], fractions)
    undone = [sum(w * rested[n - k] for k, w in enumerate(weights[: n + 1])) for n in range(7)]
    np.testing.assert_allclose(undone, [0, 0, 9_000, 3_000, 0, 0, 0], atol=1e-3)


def test_regions_may_differ() -> None:
    levels = np.stack(
        [shown([20_000.0] * 3 + [0.0] * 3, (f, 0.001)) for f in (0.003, 0.006)], axis=1
    )[:, None, :]
    found = measure_lag(levels, find_step(levels.mean(axis=(1, 2)), ""), 2, 0.01, "")
    np.testing.assert_allclose(found.regions, [[0.004 / 1.004, 0.007 / 1.007]], rtol=1e-6)
    assert found.fractions[0] == pytest.approx(0.0045, rel=1e-3)


@pytest.mark.parametrize("drift_gv", [-6.0, 6.0])
def test_a_zero_that_drifted_is_seen_at_the_end_of_a_long_sequence(drift_gv: float) -> None:
    levels = shown([20_000.0] * 3 + [0.0] * 16, (0.003, 0.001)) + drift_gv
    found = measure_lag(in_parts(levels), find_step(levels, ""), 2, 0.01, "")
    # The zero is subtracted exactly; the lit frames' share of it is 3e-4 of the fractions.
    assert found.fractions == pytest.approx((0.003, 0.001), rel=1e-3)


@pytest.mark.parametrize(
    ("levels", "said"),
    [
        ([0, 0, 9e3, 9e3, 0, 0], "doesn't end once"),
        ([9e3, 9e3, 0, 0, 9e3, 0], "doesn't end once"),
        ([9e3, 9e3, 5e3, 4e3, 0, 0], "doesn't end once"),
        ([9e3, 9e3, 9e3], "doesn't end once"),
        ([9e3, 9e3, 4e3], "doesn't end once"),
        ([0, 0, 0], r"doesn't end once.*signals 0, 0, 0 GV"),
        ([9e3, 9e3, 9e3, 0], r"3 lit and 1 dark frames.*at least 2 of each"),
        ([9e3, 0, 0, 0], "1 lit and 3 dark"),
        ([9e3, 9e3, 4e3, 0], "2 lit and 1 dark"),
    ],
)
def test_sequences_that_are_none_are_refused(levels: list[float], said: str) -> None:
    with pytest.raises(CalibrationError, match=f"step_off: .*{said}"):
        find_step(np.array(levels, dtype=np.float64), "step_off")


def test_darks_that_dont_fit_the_sequence_are_told() -> None:
    levels = shown([20_000.0] * 4 + [0.0] * 3, (0.003, 0.001)) - 200
    with pytest.raises(CalibrationError, match=r"lag comes out as .*Check that the darks fit"):
        measure_lag(in_parts(levels), find_step(levels, ""), 2, 0.1, "step_off")
