"""Signal-to-noise ratio against closed forms: normal and Poisson noise, chi-square's median."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from pipeline.kernels.line_noise import group_spread
from pipeline.quality.noise.snr import REFERENCE_MM, Snr, measure_snrs, snr_n


def measure_snr(values: np.ndarray, good: np.ndarray | None = None, **how: Any) -> Snr | None:
    """Of a single window."""
    return measure_snrs(values[np.newaxis], good=None if good is None else good[np.newaxis], **how)[
        0
    ]


def test_the_factor_for_twenty_values_is_the_published_one() -> None:
    """√(19/χ²₀.₅(19)), shown with four places where it is published."""
    assert group_spread(20, 1).unbiased == pytest.approx(1.0179, abs=5e-5)


@pytest.mark.parametrize(
    ("snr", "sr_b_um", "normalised"),
    [
        (100, 100, 88.6),
        (113, 100, 100.1),
        (79.0, 100, 70.0),
        (135.4, 100, 120.0),
        (100, 130, 68.15),
    ],
)
def test_normalised_as_worked_by_hand(snr: float, sr_b_um: float, normalised: float) -> None:
    """Five figures worked with 88.6; each is rounded to its last place."""
    assert snr_n(snr, sr_b_um / 1000) == pytest.approx(normalised, abs=0.06)
    assert pytest.approx(0.0886, abs=5e-5) == REFERENCE_MM


@pytest.mark.parametrize("taken", [1, 2])
@pytest.mark.parametrize("group", [8, 20, 50])
def test_the_median_is_unbiased_and_its_spread_known(group: int, taken: int) -> None:
    """100 windows: the mean of their SNRs has a tenth of one's standard deviation, here trebled.

    The median of 60 groups is a little skewed; that is below 1/(4·60) of its value. A standard
    deviation from 100 values is right to 7 %, trebled.
    """
    rng = np.random.default_rng(group + taken)
    found = [
        measure_snr(rng.normal(1000, 10, (60, group)), group=group, taken=taken) for _ in range(100)
    ]
    values = np.array([one.value for one in found if one])
    told = float(np.mean([one.sigma for one in found if one]))
    assert values.size == 100
    assert values.mean() == pytest.approx(100, abs=0.3 * told + 100 / 240)
    assert values.std() == pytest.approx(told, rel=0.25)


@pytest.mark.parametrize("quanta", [500.0, 10_000.0, 90_000.0])
def test_poisson_noise_gives_the_root_of_the_quanta(quanta: float) -> None:
    """Within 1 %: 15,000 groups leave 0.17 %, trebled; the rest is Poisson's own shape."""
    values = np.random.default_rng(3).poisson(quanta, (1500, 200))
    found = measure_snr(values)
    assert found is not None
    assert found.groups == 15_000
    assert found.value == pytest.approx(np.sqrt(quanta), rel=0.01)


def test_a_slope_across_the_window_is_not_noise() -> None:
    """A beam that falls by 0.3 % a pixel, ten times a standard deviation in a group."""
    rng = np.random.default_rng(4)
    values = (5000 - 15.0 * np.arange(100)) * (1 + rng.normal(0, 0.005, (400, 100)))
    sloped = measure_snr(values)
    only_mean = measure_snr(values, taken=1)
    assert sloped is not None
    assert only_mean is not None
    assert sloped.value == pytest.approx(200, abs=3 * sloped.sigma + 1)
    assert only_mean.value < 0.5 * sloped.value


def test_figures_and_wires_in_some_groups_do_not_count() -> None:
    """A fifth of the groups spoilt moves the median to where 0.5/0.8 of the good ones lie below:
    by 0.32 standard deviations of one group, 0.167 of its value: 5 %."""
    rng = np.random.default_rng(5)
    values = rng.normal(1000, 10, (200, 100))
    clean = measure_snr(values)
    values[:, 31:36] -= 400
    spoilt = measure_snr(values)
    assert clean is not None
    assert spoilt is not None
    assert 0.93 * clean.value < spoilt.value < clean.value


def test_groups_with_pixels_that_are_not_good_are_left_out() -> None:
    rng = np.random.default_rng(6)
    values = rng.normal(1000, 10, (30, 45))
    good = np.ones(values.shape, dtype=np.bool_)
    good[3, 7], good[8, 25] = False, False
    whole, part = measure_snr(values), measure_snr(values, good=good)
    assert whole is not None
    assert part is not None
    assert (whole.groups, part.groups) == (60, 58)


def test_correlated_noise_is_allowed_for() -> None:
    """A mean of three neighbours: by hand the correlations are 1, 2/3, 1/3.

    Uncorrected the line takes a part of the noise with it and the SNR comes out too high.
    """
    rng = np.random.default_rng(7)
    white = rng.normal(0, 10 * np.sqrt(3), (2000, 102))
    values = 1000 + (white[:, :-2] + white[:, 1:-1] + white[:, 2:]) / 3
    right = measure_snr(values, correlation=(1.0, 2 / 3, 1 / 3))
    plain = measure_snr(values)
    assert right is not None
    assert plain is not None
    # 10,000 groups of some 7 independent values: 0.4 %; chi-square is an approximation here.
    assert right.value == pytest.approx(100, rel=0.015)
    assert plain.value > 107


def test_nothing_to_measure() -> None:
    assert measure_snr(np.ones((10, 19))) is None
    assert measure_snr(np.ones((10, 40))) is None, "without any noise"
    assert measure_snr(np.zeros((10, 40))) is None
    with pytest.raises(ValueError, match="too small"):
        measure_snr(np.ones((10, 40)), group=3)


def test_windows_together_are_as_each_by_itself() -> None:
    """Whole ones, one with bad pixels, one that is dark in part, one without noise: to the bit."""
    windows = np.random.default_rng(9).poisson(900, (4, 30, 47)).astype(np.uint16)
    windows[2, :10], windows[3] = 0, 500
    good = np.ones(windows.shape, dtype=np.bool_)
    good[1, ::3, 5] = False
    together = measure_snrs(windows, good=good)
    alone = [measure_snr(one, good=which) for one, which in zip(windows, good, strict=True)]
    assert together == alone
    assert [one.groups if one else None for one in together] == [60, 50, 40, None]
