"""Ties measured with a wrong bend: put right by the geometry that they themselves tell."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from pipeline.geometry import pixel_to_surface, surface_to_pixel
from pipeline.stages.adjustment import adjust
from pipeline.stages.matching import Ties
from pipeline.stages.unbent import unbent
from tests.stages.tied_scans import GEOMETRY, PANEL, PITCH_MM, PRIORS, TiedScan, tied_scan

PATCH_MM = 5.0  # half a patch


def shifts(scan: TiedScan, s: np.ndarray, z: np.ndarray) -> np.ndarray:
    """(ties, 2, points): by how much frame b shows the place (s, z) of frame a elsewhere."""
    a, b = scan.ties.a[:, None], scan.ties.b[:, None]
    pixel = surface_to_pixel(GEOMETRY, PANEL, 0.0, 0.0, s, z)
    at = pixel_to_surface(scan.geometry, scan.panel, scan.position[a], scan.axial[a], *pixel)
    once = GEOMETRY.circumference_mm
    across = at[0] + once * np.round((scan.position[b] - scan.position[a]) / once)
    pixel = surface_to_pixel(
        scan.geometry, scan.panel, scan.position[b], scan.axial[b], across, at[1]
    )
    there = pixel_to_surface(GEOMETRY, PANEL, 0.0, 0.0, *pixel)
    return np.stack([there[0] - s, there[1] - z], axis=1)


def bent(scan: TiedScan, seed: int, stretch: float) -> Ties:
    """The scan's ties as patches would give them that were told a bend that is none: each the mean
    over a few strong places, wherever they lie in the patch, less what that bend makes of them."""
    rng = np.random.default_rng([seed, 5])
    n = len(scan.ties)
    z, s = rng.uniform(-PATCH_MM, PATCH_MM, (2, n, 4))
    terms = np.stack([z, s, z * z, s * z, s * s], axis=1)
    size = stretch * np.array([1, 1, 1 / PATCH_MM, 1 / PATCH_MM, 1 / PATCH_MM])
    bend = size * rng.standard_normal((n, 2, 5))
    there = shifts(scan, scan.ties.s_a[:, None] + s, scan.ties.z_a[:, None] + z)
    measured = (there - bend @ terms).mean(axis=2)
    noise = np.stack([scan.ties.s_b, scan.ties.z_b], 1) - np.stack(
        [scan.ties.s_a, scan.ties.z_a], 1
    )
    noise -= shifts(scan, scan.ties.s_a[:, None], scan.ties.z_a[:, None])[:, :, 0]
    moments = np.repeat(terms.mean(axis=2)[:, None], 2, axis=1)
    return replace(
        scan.ties,
        s_b=scan.ties.s_a + measured[:, 0] + noise[:, 0],
        z_b=scan.ties.z_a + measured[:, 1] + noise[:, 1],
        moments=moments,
        bent_mm=np.sum(moments * bend, axis=2),
    )


@pytest.mark.parametrize("ring", [True, False])
def test_with_the_true_geometry_each_tie_holds_at_its_place(ring: bool) -> None:
    scan = tied_scan(1, ring=ring, tie_sigma_mm=1e-9, source_mm=(1.5, -1.0))
    ties = bent(scan, 1, 0.004)
    found = unbent(
        ties,
        (GEOMETRY, PANEL),
        (scan.geometry, scan.panel),
        scan.position,
        scan.axial,
        ring=ring,
    )
    off = np.hypot(found.s_b - scan.ties.s_b, found.z_b - scan.ties.z_b)
    before = np.hypot(ties.s_b - scan.ties.s_b, ties.z_b - scan.ties.z_b)
    # What is no quadratic over a patch of 10 mm: on a pipe of 60 mm a twelfth of its radius cubed.
    assert np.median(before) > 0.008
    assert np.median(off) < 0.02 * np.median(before)
    assert off.max() < 0.1 * before.max()


def test_ties_that_stand_for_a_point_stay_as_they_are() -> None:
    scan = tied_scan(2)
    found = unbent(
        scan.ties,
        (GEOMETRY, PANEL),
        (scan.geometry, scan.panel),
        scan.position,
        scan.axial,
        ring=True,
    )
    np.testing.assert_array_equal(found.s_b, scan.ties.s_b)
    np.testing.assert_array_equal(found.z_b, scan.ties.z_b)


def test_a_frame_that_can_not_be_where_it_is_said_to_be_changes_nothing_else() -> None:
    scan = tied_scan(3, ring=False)
    ties = bent(scan, 3, 0.004)
    lost = scan.position.copy()
    lost[4] = np.nan
    found, right = (
        unbent(
            ties, (GEOMETRY, PANEL), (scan.geometry, scan.panel), position, scan.axial, ring=False
        )
        for position in (lost, scan.position)
    )
    touched = (ties.a == 4) | (ties.b == 4)
    np.testing.assert_array_equal(found.s_b[touched], ties.s_b[touched])
    np.testing.assert_array_equal(found.s_b[~touched], right.s_b[~touched])


def test_the_adjustment_finds_places_as_if_the_bends_had_been_known() -> None:
    """Ties sure to 1 µm, measured with bends that put each wrong by some ten."""
    errors = {"straight": [], "bent": [], "careless": []}
    for seed in range(5):
        scan = tied_scan(seed, tie_sigma_mm=0.001)
        ties = bent(scan, seed, 0.004)
        careless = replace(ties, moments=0 * ties.moments, bent_mm=0 * ties.bent_mm)
        for name, which in (("straight", scan.ties), ("bent", ties), ("careless", careless)):
            found = adjust(
                which, scan.encoder, GEOMETRY, PANEL, PRIORS, ring=True, pitch_mm=PITCH_MM
            )
            off = found.position_mm - scan.position
            errors[name].append(np.std(off))
    straight, found, without = (np.sqrt(np.mean(np.square(e))) for e in errors.values())
    assert without > 3 * straight
    assert found < 1.3 * straight
