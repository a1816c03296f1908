"""One least squares over all frames: known places, source and roll demanded back."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from pipeline.stages.adjustment import Adjustment, adjust
from pipeline.stages.matching import Ties
from tests.stages.tied_scans import GEOMETRY, PANEL, PITCH_MM, PRIORS, TiedScan, tied_scan


def solve(scan: TiedScan, *, ring: bool = True, **changes: object) -> Adjustment:
    options = {"geometry": GEOMETRY, "panel": PANEL, "priors": PRIORS} | changes
    return adjust(
        options.get("ties", scan.ties),
        scan.encoder,
        options["geometry"],
        options["panel"],
        options["priors"],
        ring=ring,
        pitch_mm=PITCH_MM,
    )


@pytest.mark.parametrize("ring", [True, False])
def test_everything_comes_back_within_its_sigma(ring: bool) -> None:
    places, sources, rolls = [], [], []
    for seed in range(12):
        scan = tied_scan(seed, ring=ring)
        found = solve(scan, ring=ring)
        assert found.converged and not found.rejected.any()
        places.append(((found.position_mm - scan.position) / found.sigma_mm)[1:])
        sources += [
            (found.geometry.source_x_mm - scan.geometry.source_x_mm) / found.source_sigma_mm[0],
            (found.geometry.source_y_mm - scan.geometry.source_y_mm) / found.source_sigma_mm[1],
        ]
        rolls.append((found.panel.roll_rad - scan.panel.roll_rad) / found.roll_sigma_rad)
        assert found.refined == ("source_x_mm", "source_y_mm", "roll_deg", "encoder_scale")
    # Places of one scan drift together: as many independent numbers as some four a scan.
    assert 0.65 < np.sqrt(np.mean(np.square(places))) < 1.4
    assert np.abs(places).max() < 5
    assert 0.6 < np.sqrt(np.mean(np.square(sources))) < 1.45  # 24 numbers: 14 % each
    assert 0.5 < np.sqrt(np.mean(np.square(rolls))) < 1.6  # 12 numbers: 20 %


@pytest.mark.parametrize("tie_sigma_mm", [0.003, 0.02, 0.1])
def test_positions_are_as_good_as_their_ties(tie_sigma_mm: float) -> None:
    scan = tied_scan(3, tie_sigma_mm=tie_sigma_mm)
    found = solve(scan)
    # 9 ties a pair, two pairs a step, over at most half a ring of 20 steps: below 1 sigma each.
    assert np.abs(found.position_mm - scan.position).max() < 4 * tie_sigma_mm
    assert np.abs(found.axial_mm - scan.axial).max() < 4 * tie_sigma_mm
    assert found.residual_mm.shape == (len(scan.ties), 2)
    # Ties weigh a floor of 0.02 px beside their own sigma.
    expected = np.hypot(tie_sigma_mm, 0)
    assert np.sqrt(np.mean(found.residual_mm**2)) == pytest.approx(expected, rel=0.15)


def test_the_first_frame_is_the_origin() -> None:
    scan = tied_scan(5)
    shifted = replace(scan, encoder=scan.encoder + 33.0)
    found = solve(shifted)
    assert found.position_mm[0] == pytest.approx(33.0, abs=1e-6)
    assert found.axial_mm[0] == pytest.approx(0.0, abs=1e-6)
    assert found.sigma_mm[0] < 1e-3 < found.sigma_mm[10]


def test_wrong_ties_are_rejected_and_named() -> None:
    rng = np.random.default_rng(1)
    clean = tied_scan(6)
    s_b, z_b = clean.ties.s_b.copy(), clean.ties.z_b.copy()
    wrong = rng.choice(len(s_b), len(s_b) // 12, replace=False)
    s_b[wrong] += rng.uniform(0.5, 3, wrong.size) * rng.choice([-1, 1], wrong.size)
    z_b[wrong[::2]] += 1.0
    found = solve(clean, ties=replace(clean.ties, s_b=s_b, z_b=z_b))
    assert found.converged
    np.testing.assert_array_equal(np.flatnonzero(found.rejected), np.sort(wrong))
    usual = solve(clean)
    # A twelfth fewer ties: the places move by a part of their sigma.
    assert np.abs(found.position_mm - usual.position_mm).max() < 1.5 * usual.sigma_mm.max()
    assert found.distance[wrong].min() > 6


def test_a_single_slip_of_the_encoder_is_overruled_by_the_ties() -> None:
    scan = tied_scan(7)
    slipped = replace(scan, encoder=scan.encoder + np.where(np.arange(20) >= 9, 4.0, 0.0))
    found = solve(slipped)
    # The slip is 13 sigmas of a step; the eighteen ties of 0.02 mm weigh (0.3 / 0.02)² * 18 as
    # much as the step: what is left of 4 mm is 1 µm, beside a prior on the encoder's scale.
    assert np.abs(found.position_mm - scan.position).max() < 0.08


# ---- few ties or none ---------------------------------------------------------------------------


@pytest.mark.parametrize("ring", [True, False])
def test_without_ties_the_encoder_counts(ring: bool) -> None:
    encoder = np.array([2.0, 30.0, 57.5, 90.0, 121.0])
    found = adjust(Ties.join([]), encoder, GEOMETRY, PANEL, PRIORS, ring=ring, pitch_mm=PITCH_MM)
    assert found.converged
    np.testing.assert_allclose(found.position_mm, encoder, atol=1e-6)
    np.testing.assert_allclose(found.axial_mm, 0, atol=1e-9)
    assert found.closure_mm is None and found.closure_axial_mm is None
    # Steps of 0.3 mm and a scale of 1 %, summed.
    steps = np.arange(5)
    expected = np.hypot(0.3 * np.sqrt(steps), 0.01 * (encoder - 2))
    np.testing.assert_allclose(found.sigma_mm, expected, atol=1e-3)
    assert found.source_sigma_mm == pytest.approx((5.0, 5.0))
    assert found.roll_sigma_rad == pytest.approx(np.radians(0.5))
    assert found.geometry == GEOMETRY


def test_one_frame_only() -> None:
    found = adjust(
        Ties.join([]), np.array([4.0]), GEOMETRY, PANEL, PRIORS, ring=True, pitch_mm=PITCH_MM
    )
    assert found.converged and found.position_mm == pytest.approx([4.0])


def test_a_stretch_without_ties_falls_back_on_the_encoders_step() -> None:
    scan = tied_scan(8, ring=False)
    ties = scan.ties.take(~((scan.ties.a <= 9) & (scan.ties.b >= 10)))
    found = solve(scan, ring=False, ties=ties)
    assert found.converged
    step = found.position_mm[10] - found.position_mm[9]
    told = (scan.encoder[10] - scan.encoder[9]) * found.encoder_scale
    assert step == pytest.approx(told, abs=1e-3)
    assert found.sigma_mm[10] > 0.29 > 5 * found.sigma_mm[9]
    assert abs(found.encoder_scale - scan.scale) < 0.02


# ---- the ring -----------------------------------------------------------------------------------


def test_an_arc_has_no_closure() -> None:
    scan = tied_scan(2, ring=False)
    found = solve(scan, ring=False)
    assert found.closure_mm is None and not found.wraps.any()


@pytest.mark.parametrize("off_mm", [-0.8, 0.0, 0.5])
def test_closure_is_measured_before_it_is_used(off_mm: float) -> None:
    """All ties over the datum say that the ring misses itself by so much."""
    scan = tied_scan(4, tie_sigma_mm=0.004, axial_sigma_mm=0.02)
    wraps = scan.ties.b - scan.ties.a > 10
    ties = replace(
        scan.ties,
        s_b=scan.ties.s_b + off_mm * wraps,
        z_b=scan.ties.z_b - 0.3 * off_mm * wraps,
    )
    found = solve(scan, ties=ties)
    np.testing.assert_array_equal(found.wraps, wraps)
    # Along: the end of 20 steps of 18 ties each, 0.004 mm, and the source's part of it. Axially
    # a roll looks like a steady wander; the frames' own wander of 0.02 mm tells the two apart to
    # 0.02 / (sqrt(20) * 109 mm) rad, 0.015 mm once round.
    assert found.closure_mm == pytest.approx(off_mm, abs=0.05)
    assert found.closure_axial_mm == pytest.approx(-0.3 * off_mm, abs=0.05)


def test_ties_over_the_datum_make_the_end_better() -> None:
    scan = tied_scan(9)
    closed = solve(scan)
    opened = solve(scan, ties=scan.ties.take(scan.ties.b - scan.ties.a <= 10))
    assert closed.sigma_mm[-1] < 0.7 * opened.sigma_mm[-1]
    assert closed.closure_mm is not None and opened.closure_mm is None


def test_a_scan_past_the_datum_counts_on() -> None:
    """The last frame stands again where the first did, one circumference further."""
    scan = tied_scan(10)
    found = solve(scan)
    assert found.position_mm[-1] > 0.9 * GEOMETRY.circumference_mm
    assert (np.diff(found.position_mm) > 0).all()


# ---- what is held -------------------------------------------------------------------------------


@pytest.mark.parametrize("sigma_mm", [0.0, 1.0, 5.0])
def test_source_sigma(sigma_mm: float) -> None:
    scan = tied_scan(11, source_mm=(1.5, -1.0))
    found = solve(scan, priors=replace(PRIORS, source_sigma_mm=sigma_mm))
    there = np.hypot(found.geometry.source_x_mm - 1.5, found.geometry.source_y_mm + 1.0)
    if sigma_mm == 0:
        assert (found.geometry.source_x_mm, found.geometry.source_y_mm) == pytest.approx(
            (0, 0), abs=1e-6
        )
        assert "source_x_mm" not in found.refined
    else:
        assert there < 4 * max(found.source_sigma_mm) < 1.5


@pytest.mark.parametrize("sigma_deg", [0.0, 0.2, 0.5])
def test_roll_sigma(sigma_deg: float) -> None:
    scan = tied_scan(12, roll_rad=0.004)
    found = solve(scan, priors=replace(PRIORS, roll_sigma_rad=np.radians(sigma_deg)))
    if sigma_deg == 0:
        assert found.panel.roll_rad == pytest.approx(0, abs=1e-7)
        assert "roll_deg" not in found.refined
    else:
        assert found.panel.roll_rad == pytest.approx(0.004, abs=4 * found.roll_sigma_rad)
        assert found.roll_sigma_rad < 1e-3


@pytest.mark.parametrize("told_mm", [(0.0, 0.0), (2.0, -1.0)])
def test_a_source_that_is_told_off_the_axis_is_where_the_search_begins(
    told_mm: tuple[float, float],
) -> None:
    told = replace(GEOMETRY, source_x_mm=told_mm[0], source_y_mm=told_mm[1])
    scan = tied_scan(13, told=told, source_mm=(0.7, 0.4))
    found = solve(scan, geometry=told)
    z = np.array(
        [
            (found.geometry.source_x_mm - told_mm[0] - 0.7) / found.source_sigma_mm[0],
            (found.geometry.source_y_mm - told_mm[1] - 0.4) / found.source_sigma_mm[1],
        ]
    )
    assert np.abs(z).max() < 4
    assert np.abs(found.position_mm - scan.position).max() < 5 * found.sigma_mm.max()


@pytest.mark.parametrize("axial_sigma_mm", [0.01, 1.0, 3.0])
def test_axial_sigma(axial_sigma_mm: float) -> None:
    scan = tied_scan(14, axial_sigma_mm=0.01)
    found = solve(scan, priors=replace(PRIORS, axial_sigma_mm=axial_sigma_mm))
    assert np.abs(found.axial_mm - scan.axial).max() < 0.08


def test_the_same_input_gives_the_same_bits() -> None:
    scan = tied_scan(15)
    first, second = solve(scan), solve(scan)
    np.testing.assert_array_equal(first.position_mm, second.position_mm)
    assert first.geometry == second.geometry
