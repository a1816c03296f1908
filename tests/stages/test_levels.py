"""Levels of all frames from the overlaps' brightness, solved together."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from pipeline.geometry import ScanGeometry, relative_flux
from pipeline.stages.levels import log_beam_shape, solve_levels
from pipeline.stages.matching import Ties
from tests.stages.tied_scans import GEOMETRY, TiedScan, tied_scan


def lit(scan: TiedScan, log_level: np.ndarray, sigma: float = 1e-3, seed: int = 0) -> Ties:
    """The scan's ties with the brightness that frames of these levels show."""
    rng = np.random.default_rng(seed)
    ties = scan.ties
    u = [GEOMETRY.panel_distance_mm * np.tan(s / GEOMETRY.radius_mm) for s in (ties.s_a, ties.s_b)]
    beam = [
        np.log(
            relative_flux(
                scan.geometry, scan.geometry.source(scan.position[k] / GEOMETRY.radius_mm), x, 0
            )
            / relative_flux(GEOMETRY, GEOMETRY.source(0.0), x, 0)
        )
        for k, x in zip((ties.a, ties.b), u, strict=True)
    ]
    shown = log_level[ties.b] - log_level[ties.a] + beam[1] - beam[0]
    return replace(ties, log_ratio=shown + rng.normal(0, sigma, len(ties)))


def centred(values: np.ndarray) -> np.ndarray:
    return values - values.mean()


@pytest.mark.parametrize("source_mm", [(0.0, 0.0), (3.0, -2.0)])
@pytest.mark.parametrize("ring", [True, False])
def test_known_levels_come_back(source_mm: tuple[float, float], ring: bool) -> None:
    scan = tied_scan(1, ring=ring, source_mm=source_mm, tie_sigma_mm=0.002)
    truth = np.random.default_rng(2).normal(0, 0.1, 20)
    level, misfit = solve_levels(lit(scan, truth), 20, scan.position, scan.geometry, GEOMETRY)
    assert np.log(level).sum() == pytest.approx(0, abs=1e-12)
    # 1e-3 a tie, 18 ties a step, a chain of 20 frames: 1e-3 * sqrt(20 / 18); three of them.
    assert np.abs(np.log(level) - centred(truth)).max() < 3.5e-3
    assert misfit.std() == pytest.approx(1e-3, rel=0.15)


def test_wrong_brightness_of_some_ties_does_no_harm() -> None:
    scan = tied_scan(1, source_mm=(0.0, 0.0))
    truth = np.random.default_rng(3).normal(0, 0.05, 20)
    ties = lit(scan, truth)
    off = np.zeros(len(ties))
    off[::15] = 0.2
    level, misfit = solve_levels(
        replace(ties, log_ratio=ties.log_ratio + off), 20, scan.position, scan.geometry, GEOMETRY
    )
    # A Cauchy weight leaves a tie off by 200 sigmas a pull of 9 / 200 sigma.
    assert np.abs(np.log(level) - centred(truth)).max() < 4e-3
    np.testing.assert_allclose(misfit[::15], 0.2, atol=0.01)


def test_a_frame_without_ties_gets_its_neighbours_level() -> None:
    scan = tied_scan(1, source_mm=(0.0, 0.0))
    truth = np.linspace(-0.2, 0.2, 20)
    ties = lit(scan, truth)
    ties = ties.take((ties.a != 7) & (ties.b != 7))
    level, _ = solve_levels(ties, 20, scan.position, scan.geometry, GEOMETRY)
    logs = np.log(level)
    # Two equal pulls: the mean of its neighbours; the others stay bound by pairs two apart.
    assert logs[7] == pytest.approx((logs[6] + logs[8]) / 2, abs=1e-6)
    assert np.abs(logs - centred(truth)).max() < 5e-3


@pytest.mark.parametrize("frames", [1, 2, 5])
def test_without_ties_all_levels_are_one(frames: int) -> None:
    level, misfit = solve_levels(
        Ties.join([]), frames, np.arange(frames) * 10.0, GEOMETRY, GEOMETRY
    )
    np.testing.assert_allclose(level, 1, atol=1e-12)
    assert len(misfit) == 0


@pytest.mark.parametrize("position_mm", [0.0, 100.0, 333.0])
def test_beam_shape_is_the_fluxes_ratio_and_nothing_for_a_centred_source(
    position_mm: float,
) -> None:
    told = ScanGeometry(80.0, 10.0)
    off = replace(told, source_x_mm=4.0, source_y_mm=2.0)
    u = np.linspace(-30, 30, 7)
    position = np.full(7, position_mm)
    np.testing.assert_array_equal(log_beam_shape(told, told, position, u), 0)
    found = log_beam_shape(off, told, position, u)
    # At its foot point the flux goes with the inverse square of the source's distance.
    xs, ys, _ = off.source(position_mm / 80.0)
    foot = log_beam_shape(off, told, np.array([position_mm]), np.array([float(ys)]))
    centred_there = 90.0**3 / (90.0**2 + float(ys) ** 2) ** 1.5
    expected = -2 * np.log((90 - float(xs)) / 90) - np.log(centred_there)
    assert foot[0] == pytest.approx(expected)
    assert np.ptp(found) > 0.01
