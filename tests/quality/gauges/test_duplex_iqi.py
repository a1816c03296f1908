from __future__ import annotations

import numpy as np
import pytest

from pipeline.quality.gauges.duplex_iqi import DuplexCriteria, DuplexReading, read_duplex
from tests.calibration.duplex_shots import shot
from tests.calibration.duplex_theory import DIAMETERS_MM, PLATINUM_PER_MM, dips_percent, sr_b_mm


def behind_steel(chord_mm: np.ndarray) -> np.ndarray:
    """Scatter takes part of the contrast away: 0.4 of the unscattered radiation."""
    return (np.exp(-PLATINUM_PER_MM * chord_mm) + 0.4) / 1.4


def read(picture: np.ndarray, **changes: object) -> DuplexReading:
    told = {"pitch_mm": 0.1, "diameters_mm": DIAMETERS_MM, "criteria": DuplexCriteria()}
    return read_duplex(picture, **(told | changes))  # type: ignore[arg-type]


@pytest.mark.parametrize("sigma_mm", [0.046, 0.06, 0.08, 0.11, 0.16, 0.22])
@pytest.mark.parametrize(("tilt_deg", "turned"), [(2.2, False), (-4.7, True)])
def test_sr_b_in_both_directions(sigma_mm: float, tilt_deg: float, turned: bool) -> None:
    """SR_b of 0.08 to 0.32 mm, SNR 100."""
    picture = shot(sigma_mm, tilt_deg=tilt_deg, snr=100.0, passed=behind_steel)
    found = read(np.ascontiguousarray(picture.T) if turned else picture)
    truth = sr_b_mm(sigma_mm, 0.1, behind_steel)
    assert 0.078 < truth < 0.32
    # The goal is 5 %; the claimed standard deviation holds for single readings (next test).
    assert found.sr_b_mm == pytest.approx(truth, rel=0.05)
    assert found.turned == turned
    assert found.unsharpness_mm == pytest.approx(2 * truth, rel=0.05)
    assert abs(found.lean_deg) == pytest.approx(abs(tilt_deg), abs=0.05)
    resolved = sum(dip >= 20 for dip in dips_percent(sigma_mm, 0.1, behind_steel))
    # A pair within 3 points of the limit may fall on its other side.
    assert found.first_unresolved in {f"{resolved + 1}D", f"{resolved}D", f"{resolved + 2}D"}
    assert found.sigma_mm is not None
    assert found.unsharpness_sigma_mm == 2 * found.sigma_mm


def test_the_claimed_uncertainty() -> None:
    truth = sr_b_mm(0.1, 0.1, behind_steel)
    found = [read(shot(0.1, snr=100.0, seed=seed, passed=behind_steel)) for seed in range(10)]
    claimed = np.sqrt(np.mean([float(one.sigma_mm or 0) ** 2 for one in found]))
    scatter = np.sqrt(np.mean([(float(one.sr_b_mm or 0) - truth) ** 2 for one in found]))
    # 10 errors give their RMS to 22 %; 10 jackknives of 8 parts the claimed one to 9 %: twice to
    # three times that. Where a dip falls to 0 and back the jackknife claims more than there is.
    assert 0.6 < claimed / scatter < 1.8


def test_noise_makes_it_less_certain() -> None:
    claimed = [read(shot(0.08, snr=snr)).sigma_mm for snr in (1000.0, 60.0)]
    assert claimed[0] is not None
    assert claimed[1] is not None
    assert claimed[1] > 3 * claimed[0]


def test_places_of_the_pairs_and_the_profile() -> None:
    found = read(shot(0.06))
    assert [pair.name for pair in found.pairs] == [f"{number}D" for number in range(1, 14)]
    steps = np.diff([pair.at_mm for pair in found.pairs])
    # 4.5 mm along the rows; square to the wires by cos 3°.
    assert np.abs(steps).tolist() == pytest.approx([4.5 * np.cos(np.radians(3))] * 12, abs=0.03)
    row, column = found.middle_px or (0.0, 0.0)
    assert row == pytest.approx(119.5, abs=1.5)  # the wires' ends are found to a pixel or so
    assert column == pytest.approx((6.0 + 6 * 4.5) / 0.1 - 0.5, abs=0.6)  # 1.5 rows of lean: 0.1 px
    for pair in found.pairs[:3]:
        near = np.abs(found.at_mm - pair.at_mm) < 0.1
        beside = np.abs(found.at_mm - pair.at_mm - pair.diameter_mm) < 0.1
        assert found.profile[near].mean() > 1.2 * found.profile[beside].mean()
    turned = read(np.ascontiguousarray(shot(0.06).T))
    assert turned.middle_px == pytest.approx((column, row), abs=0.6)


def test_criteria_are_the_profiles() -> None:
    picture = shot(0.06, snr=1000.0)
    usual, strict = read(picture), read(picture, criteria=DuplexCriteria(30.0, 100))
    assert (usual.sr_b_mm or 0) < (strict.sr_b_mm or 0)
    assert usual.remarks == ()
    assert strict.remarks == (f"only {usual.lines} lines were averaged: 100 or more are usual",)
    assert usual.lines == pytest.approx(0.6 * 130, abs=3)  # of 13 mm


def test_a_gauge_with_finer_pairs() -> None:
    """A table that goes on to 14D and 15D, of which the picture shows no shadow."""
    found = read(shot(0.06), diameters_mm=(*DIAMETERS_MM, 0.04, 0.032))
    assert found.sr_b_mm == pytest.approx(sr_b_mm(0.06, 0.1), rel=0.022)


def test_no_gauge_says_so() -> None:
    empty = (20000 + 70 * np.random.default_rng(3).standard_normal((300, 400))).astype(np.float32)
    found = read(empty)
    assert found.sr_b_mm is None
    assert found.unsharpness_mm is None
    assert found.unsharpness_sigma_mm is None
    assert found.middle_px is None
    assert "no duplex wire gauge is seen" in found.why_not
