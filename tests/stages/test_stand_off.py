"""The stand-off and how it varies round the ring, as the adjustment finds them from ties."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from pipeline.geometry import ScanGeometry
from pipeline.stages.adjustment import Adjustment, adjust
from pipeline.stages.least_squares import Problem
from pipeline.stages.unknowns import (
    LIFT,
    LIFT_ORDERS,
    SHARED,
    STANDOFF,
    likely_lift_mm,
    names_of,
    standoff_sigma_mm,
    untold,
)
from tests.stages.tied_scans import GEOMETRY, PANEL, PITCH_MM, PRIORS, TiedScan, tied_scan

FREE = replace(PRIORS, standoff_sigma_mm=0.5, lift_sigma_mm=0.5)
WAVES_MM = (0.5, -0.3, 0.2, 0.6, -0.1, 0.1)  # ±1.2 mm round the ring


def solve(scan: TiedScan, *, ring: bool = True, priors: object = FREE) -> Adjustment:
    return adjust(scan.ties, scan.encoder, GEOMETRY, PANEL, priors, ring=ring, pitch_mm=PITCH_MM)


def lift_error_mm(found: ScanGeometry, true: ScanGeometry) -> np.ndarray:
    theta = np.linspace(0, 2 * np.pi, 73)
    whole = [g.standoff_mm + np.asarray(g.lift_mm(theta)) for g in (found, true)]
    return whole[0] - whole[1]


@pytest.mark.parametrize("off_mm", [-1.0, 0.4, 1.0])
def test_a_wrong_stand_off_is_found_instead_of_breaking_the_ring(off_mm: float) -> None:
    scan = tied_scan(21, tie_sigma_mm=0.004, standoff_mm=off_mm)
    found = solve(scan)
    # The ring of 2πR closes to some 0.02 mm (twenty steps of eighteen ties): L to a part of it.
    assert found.geometry.standoff_mm == pytest.approx(10 + off_mm, abs=0.02)
    assert found.standoff_sigma_mm < 0.01
    assert found.closure_mm == pytest.approx(0, abs=0.05)
    assert found.undetermined == ()
    assert np.abs(found.position_mm - scan.position).max() < 5 * found.sigma_mm.max() < 0.3
    held = solve(scan, priors=PRIORS)
    # Held as told, every step is off by δR/L: 2πR/L of the stand-off once round.
    assert held.closure_mm is not None
    assert abs(held.closure_mm) == pytest.approx(2 * np.pi * 60 / 70 * abs(off_mm), rel=0.15)
    assert "standoff_mm" in found.refined and "standoff_mm" not in held.refined


def test_the_closure_is_reported_without_being_used_at_all() -> None:
    scan = tied_scan(22, tie_sigma_mm=0.004)
    found = solve(scan)
    # Without it the stand-off has the prior's 0.5 mm, less what the overlaps themselves tell.
    assert found.open_closure_mm is not None and found.closure_mm is not None
    assert abs(found.closure_mm) < abs(found.open_closure_mm) < 3 * 0.5 * 2 * np.pi * 60 / 70
    arc = solve(tied_scan(22, ring=False), ring=False)
    assert arc.open_closure_mm is None and arc.closure_mm is None


def test_what_the_stand_off_cannot_explain_stays_in_the_closure() -> None:
    """Ties over the datum that are wrong by 0.5 mm, with ties good enough to tell the stand-off."""
    scan = tied_scan(4, frames=20, tie_sigma_mm=0.0005, axial_sigma_mm=0.02)
    told = replace(FREE, standoff_sigma_mm=0.002, lift_sigma_mm=0.0)
    wraps = scan.ties.b - scan.ties.a > 10
    wrong = replace(scan, ties=replace(scan.ties, s_b=scan.ties.s_b + 0.5 * wraps))
    found = solve(wrong, priors=told)
    assert found.closure_mm == pytest.approx(0.5, abs=0.1)


@pytest.mark.parametrize("waves", [WAVES_MM, (0.0, 1.0), (0, 0, 0, 0, 0, 0, 0, 0, 0.1, 0.1)])
def test_a_lift_off_is_found(waves: tuple[float, ...]) -> None:
    scan = tied_scan(23, tie_sigma_mm=0.002, lift_off_mm=waves, standoff_mm=0.3)
    found = solve(scan)
    # A scale of 2 µm over 14 mm of a frame's height is 0.01 mm of 70: some 0.02 mm for a wave.
    assert np.abs(lift_error_mm(found.geometry, scan.geometry)).max() < 0.06
    assert found.local_standoff_sigma_mm < 0.03
    assert np.abs(found.position_mm - scan.position).max() < 5 * found.sigma_mm.max() < 0.3
    held = solve(scan, priors=replace(FREE, lift_sigma_mm=0.0))
    assert "lift_off_mm" in found.refined and held.geometry.lift_off_mm == ()
    if max(waves) > 0.3:
        far = np.abs(held.position_mm - scan.position).max()
        assert far > 3 * np.abs(found.position_mm - scan.position).max()


def test_sigmas_are_true_to_the_errors() -> None:
    means, places, positions = [], [], []
    for seed in range(24):
        rng = np.random.default_rng([seed, 5])
        waves = rng.normal(0, 0.25, 6)
        scan = tied_scan(
            100 + seed,
            tie_sigma_mm=0.005,
            standoff_mm=float(rng.normal(0, 0.5)),
            lift_off_mm=tuple(float(wave) for wave in waves),
        )
        found = solve(scan)
        assert found.converged
        means.append(
            (found.geometry.standoff_mm - scan.geometry.standoff_mm) / found.standoff_sigma_mm
        )
        error = lift_error_mm(found.geometry, scan.geometry)
        places.append(np.sqrt(np.mean(error**2)) / found.local_standoff_sigma_mm)
        positions.append(((found.position_mm - scan.position) / found.sigma_mm)[1:])
    # 24 numbers: 14 %, at three of these.
    assert 0.6 < np.sqrt(np.mean(np.square(means))) < 1.4
    # Against the largest sigma round the ring: below one, some five independent numbers a scan.
    assert 0.4 < np.sqrt(np.mean(np.square(places))) < 1.3
    assert 0.6 < np.sqrt(np.mean(np.square(positions))) < 1.4
    assert np.abs(np.concatenate(positions)).max() < 5


def test_a_steady_carriage_gets_no_lift_off_made_of_noise() -> None:
    spread = []
    for seed in range(8):
        scan = tied_scan(200 + seed, tie_sigma_mm=0.01)
        found, held = solve(scan), solve(scan, priors=replace(FREE, lift_sigma_mm=0.0))
        spread.append(float(np.ptp(np.asarray(found.geometry.lift_mm(np.linspace(0, 6.28, 50))))))
        # What can't be ruled out is in the sigmas all the same.
        assert found.sigma_mm.max() >= held.sigma_mm.max()
    free = [
        float(np.ptp(np.asarray(f.lift_mm(np.linspace(0, 6.28, 50)))))
        for f in (_unshrunk(tied_scan(200 + seed, tie_sigma_mm=0.01)) for seed in range(8))
    ]
    assert np.median(spread) < 0.5 * np.median(free)


def _unshrunk(scan: TiedScan) -> ScanGeometry:
    problem = Problem(scan.ties, scan.encoder, GEOMETRY, PANEL, FREE, True, PITCH_MM)
    use = np.ones(len(scan.ties), dtype=bool)
    return problem.shaped(problem.solve(problem.start(), use).unknowns)[0]


def test_an_arc_that_cannot_tell_the_stand_off_keeps_what_was_told() -> None:
    scan = tied_scan(24, ring=False, frames=6, standoff_mm=0.3, tie_sigma_mm=0.08)
    found = solve(scan, ring=False)
    assert "standoff_mm" in found.undetermined and "standoff_mm" in found.refined
    assert found.geometry.standoff_mm == pytest.approx(10.0, abs=1e-6)
    # The scan's length is then as uncertain as the stand-off: 0.5 mm of 70, over 90 mm.
    assert found.standoff_sigma_mm > 0.35
    assert found.sigma_mm[-1] > 0.2
    assert np.abs(found.position_mm - scan.position).max() < 4 * found.sigma_mm.max()


def test_the_floor_of_the_projection_is_read_off_the_residuals() -> None:
    """Ties that scatter by more than they say: the rest is the projection's."""
    scan = tied_scan(25, tie_sigma_mm=0.008)
    boastful = replace(scan.ties, covariance=scan.ties.covariance / 64)  # they claim 0.001
    for ties, expected_px in ((boastful, 0.08), (scan.ties, 0.0)):
        problem = Problem(ties, scan.encoder, GEOMETRY, PANEL, PRIORS, True, PITCH_MM)
        use = np.ones(len(ties), dtype=bool)
        solution = problem.solve(problem.start(), use)
        # 700 numbers tell a spread to 3 %; what is no floor is lost in the ties' own 0.08 px.
        assert problem.find_floor(solution, use) == pytest.approx(expected_px, abs=0.03)


@pytest.mark.parametrize("spread_mm", [0.0, 0.1, 0.4])
@pytest.mark.parametrize("factor", [1.0, 4.0])
def test_the_likeliest_spread_is_the_spread_of_the_waves(spread_mm: float, factor: float) -> None:
    rng = np.random.default_rng(3)
    profile = replace(FREE, lift_sigma_mm=1.0).shared_sigmas()[LIFT]
    own = 0.02 * np.ones(2 * LIFT_ORDERS)
    found = []
    for _ in range(30):
        waves = rng.normal(0, spread_mm * profile) + rng.normal(0, own)
        precision = np.eye(SHARED)
        # As the adjustment has them: the ties' own, loosened by the factor, and the prior.
        data = factor / own**2
        pull = 1 / FREE.shared_sigmas()[LIFT] ** 2
        precision[LIFT, LIFT] = np.diag(data + pull)
        shared = np.zeros(SHARED)
        shared[LIFT] = data * waves / (data + pull)
        found.append(likely_lift_mm(shared, np.linalg.inv(precision) * factor, factor, FREE))
    likeliest, largest = np.median(found, axis=0)
    # 12 waves, of which the high ones drown in 0.02 mm: a spread to 25 % each, 30 draws.
    assert likeliest == pytest.approx(spread_mm, rel=0.15, abs=0.02)
    assert likeliest <= largest < 1.5 * likeliest + 0.05


def test_ties_that_tell_nothing_leave_the_prior() -> None:
    covariance = np.diag(FREE.shared_sigmas() ** 2)
    assert likely_lift_mm(np.zeros(SHARED), covariance, 1.0, FREE) == (0.5, 0.5)


def test_names_of_what_was_free_and_what_was_told() -> None:
    prior = FREE.shared_sigmas()
    assert names_of(prior > 0)[-2:] == ("standoff_mm", "lift_off_mm")
    sigma = 0.1 * prior
    assert untold(sigma, prior) == ()
    sigma[STANDOFF] = 0.8 * prior[STANDOFF]
    assert untold(sigma, prior) == ("standoff_mm",)
    sigma[LIFT] = 0.8 * prior[LIFT]
    assert untold(sigma, prior) == ("standoff_mm", "lift_off_mm")
    held = replace(FREE, standoff_sigma_mm=0.0, lift_sigma_mm=0.0).shared_sigmas()
    assert untold(np.zeros(SHARED), held) == ()


def test_the_local_sigma_is_that_of_mean_and_waves_together() -> None:
    rng = np.random.default_rng(8)
    root = rng.normal(0, 0.1, (SHARED, SHARED))
    covariance = root @ root.T
    position = np.array([0.0, 40.0, 200.0])
    drawn = root @ rng.standard_normal((SHARED, 20000))
    lifts = []
    for column in drawn[:, :4000].T:
        geometry = replace(GEOMETRY, lift_off_mm=tuple(column[LIFT]))
        lifts.append(column[STANDOFF] + np.asarray(geometry.lift_mm(position / 60.0)))
    told = standoff_sigma_mm(GEOMETRY, position, covariance)
    # 4000 draws: 1.1 %, at four of these.
    np.testing.assert_allclose(told, np.std(lifts, axis=0), rtol=0.05)
