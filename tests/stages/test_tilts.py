"""The panel's yaw and pitch as the adjustment finds them from ties."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace

import numpy as np
import pytest

from pipeline.stages.adjustment import Adjustment, Priors, adjust
from pipeline.stages.registration import Registration
from tests.stages.invented import frame_of
from tests.stages.registered_scans import (
    FRAMES,
    NOISE,
    SETUP,
    TRUE,
    TRUE_PANEL,
    metal,
    path,
    view,
)
from tests.stages.tied_scans import GEOMETRY, PANEL, PITCH_MM, PRIORS, TiedScan, tied_scan

HELD = replace(PRIORS, standoff_sigma_mm=0.5)
FREE = replace(HELD, yaw_sigma_rad=np.radians(0.5), pitch_sigma_rad=np.radians(0.5))
TILTS = (float(np.radians(0.3)), float(np.radians(-0.2)))


def solve(scan: TiedScan, priors: Priors = FREE, *, ring: bool = True) -> Adjustment:
    return adjust(scan.ties, scan.encoder, GEOMETRY, PANEL, priors, ring=ring, pitch_mm=PITCH_MM)


def off_mm(found: Adjustment, scan: TiedScan) -> float:
    return float(np.sqrt(np.mean((found.position_mm - scan.position) ** 2)))


@pytest.mark.parametrize("lift_sigma_mm", [0.0, 0.5])
@pytest.mark.parametrize("ring", [True, False])
def test_tilts_are_found_and_no_longer_spoil_the_places(ring: bool, lift_sigma_mm: float) -> None:
    free, held = (replace(p, lift_sigma_mm=lift_sigma_mm) for p in (FREE, HELD))
    errors = []
    for seed in range(6):
        scan = tied_scan(seed, frames=20 if ring else 12, ring=ring, tie_sigma_mm=0.003,
                         tilts_rad=TILTS)  # fmt: skip
        found = solve(scan, free, ring=ring)
        for value, true, sigma in zip(
            (found.panel.yaw_rad, found.panel.pitch_rad),
            TILTS,
            (found.yaw_sigma_rad, found.pitch_sigma_rad),
            strict=True,
        ):
            # Ties of 3 µm, a tilt's out-of-plane 20 mm of 70 or so: below a hundredth of a degree.
            assert abs(value - true) < 4 * sigma < np.radians(0.04)
        assert {"yaw_deg", "pitch_deg"} <= set(found.refined)
        errors.append((off_mm(found, scan), off_mm(solve(scan, held, ring=ring), scan)))
    solved, spoilt = np.sqrt(np.mean(np.square(errors), axis=0))
    assert solved < 0.5 * spoilt


@pytest.mark.parametrize("ring", [True, False])
def test_a_panel_that_stands_square_loses_nothing(ring: bool) -> None:
    """Freed where there is no tilt: the places stay as good, to a tenth, over ten scans."""
    errors = []
    for seed in range(30, 40):
        scan = tied_scan(seed, frames=20 if ring else 12, ring=ring)
        errors.append([off_mm(solve(scan, p, ring=ring), scan) for p in (FREE, HELD)])
    free, held = np.sqrt(np.mean(np.square(errors), axis=0))
    assert free < 1.1 * held


def test_sigmas_are_true_to_the_errors() -> None:
    normalised = []
    for seed in range(16):
        rng = np.random.default_rng([seed, 9])
        yaw, pitch = (float(angle) for angle in rng.normal(0, np.radians(0.3), 2))
        scan = tied_scan(500 + seed, tie_sigma_mm=0.01, tilts_rad=(yaw, pitch))
        found = solve(scan)
        normalised += [
            (found.panel.yaw_rad - yaw) / found.yaw_sigma_rad,
            (found.panel.pitch_rad - pitch) / found.pitch_sigma_rad,
        ]
    # 32 numbers: 12.5 %, at three of these.
    assert 0.6 < np.sqrt(np.mean(np.square(normalised))) < 1.4


def test_tilts_that_the_ties_hardly_tell_stay_as_told() -> None:
    """Four frames whose ties are good to a pixel and a half: known to some 0.2° at best."""
    scan = tied_scan(3, frames=4, ring=False, tie_sigma_mm=0.15, tilts_rad=TILTS)
    told = replace(FREE, yaw_sigma_rad=np.radians(0.1), pitch_sigma_rad=np.radians(0.1))
    found = solve(scan, told, ring=False)
    assert {"yaw_deg", "pitch_deg"} <= set(found.undetermined)
    assert (found.panel.yaw_rad, found.panel.pitch_rad) == pytest.approx((0, 0), abs=1e-9)
    # But not as if they were known.
    assert found.yaw_sigma_rad > np.radians(0.05) and found.pitch_sigma_rad > np.radians(0.05)


def test_tilts_are_held_where_the_config_says_that_they_are_known() -> None:
    scan = tied_scan(4, tilts_rad=TILTS)
    found = solve(scan, HELD)
    assert (found.panel.yaw_rad, found.panel.pitch_rad) == pytest.approx((0, 0), abs=1e-9)
    assert not {"yaw_deg", "pitch_deg"} & set(found.refined)


def test_tilts_are_found_in_the_pictures_themselves() -> None:
    there, stage = path(), Registration(patch_px=128, search_mm=4.0)
    panel = replace(TRUE_PANEL, yaw_rad=TILTS[0], pitch_rad=TILTS[1])
    made = [
        frame_of(metal(), TRUE, panel, there.position[k], there.axial[k], index=k, noise=NOISE)
        for k in range(FRAMES)
    ]
    told = replace(SETUP.priors, yaw_sigma_rad=np.radians(0.5), pitch_sigma_rad=np.radians(0.5))
    views = (view(one, k, stage) for k, one in enumerate(made))
    with ThreadPoolExecutor(2) as pool:
        found = stage.place(views, there.encoder, replace(SETUP, priors=told), pool)
    solved = found.adjustment
    assert abs(solved.panel.yaw_rad - TILTS[0]) < 4 * solved.yaw_sigma_rad < np.radians(0.03)
    assert abs(solved.panel.pitch_rad - TILTS[1]) < 4 * solved.pitch_sigma_rad < np.radians(0.05)
    error_mm = found.placement.position_mm - there.position
    assert np.ptp(error_mm) < 0.01  # measured 0.005; with the tilts held 0.016
