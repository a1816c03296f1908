"""Two overlapping frames: the step between them found, with honest sigmas, or not at all."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

from pipeline.calibration.product import NoiseModel
from pipeline.geometry import Panel, ScanGeometry, pixel_to_surface, surface_to_pixel
from pipeline.stages.distortion import Distortion
from pipeline.stages.matching import Link, Ties, compare
from pipeline.stages.views import View, make_view, view_grid
from tests.stages.invented import Metal, Surface, frame_of

GEOMETRY = ScanGeometry(60.0, 10.0)
PANEL = Panel(320, 400, 0.1)
GRID = view_grid(GEOMETRY, PANEL, Distortion(), 0.1)
NOISE = NoiseModel(16.0, 1.0)  # SNR 140 at 20,000


@cache
def metal(seed: int = 0, blank_mm: tuple[float, float] = (0.0, 0.0)) -> Surface:
    return Metal(GEOMETRY.circumference_mm, 18.0, seed=seed, blank_mm=blank_mm).surface()


def view(
    position_mm: float,
    axial_mm: float = 0.0,
    *,
    index: int = 0,
    level: float = 1.0,
    noise: NoiseModel | None = NOISE,
    surface: Surface | None = None,
    seed: int = 0,
) -> View:
    frame = frame_of(
        surface or metal(),
        GEOMETRY,
        PANEL,
        position_mm,
        axial_mm,
        index=index,
        level=level,
        noise=noise,
        seed=seed,
    )
    return make_view(frame, GEOMETRY, PANEL, Distortion(), GRID, floor=1000.0)


def compared(a: View, b: View, step_mm: float, **changes: float) -> Link:
    options = {"search_mm": 3.0, "axial_search_mm": 1.5, "patch_px": 128} | changes
    return compare(a, b, step_mm=step_mm, noise=NOISE, **options)


def misses(
    ties: Ties, at_a: tuple[float, float], at_b: tuple[float, float]
) -> tuple[np.ndarray, np.ndarray]:
    """Where b sees the place minus where a does (n, 2), mm, for frames truly taken at these
    (position, axial); and the same over each tie's sigma and the views' own floor."""
    surface = []
    for (position, axial), s, z in ((at_a, ties.s_a, ties.z_a), (at_b, ties.s_b, ties.z_b)):
        pixel = surface_to_pixel(GEOMETRY, PANEL, 0.0, 0.0, s, z)
        surface.append(pixel_to_surface(GEOMETRY, PANEL, position, axial, *pixel))
    off = np.subtract(surface[1], surface[0]).T
    sigma = np.sqrt(np.diagonal(ties.covariance, axis1=1, axis2=2))
    return off, off / np.hypot(sigma, 0.0005)


@pytest.mark.parametrize("step_mm", [2.03, 8.0, 15.17])
@pytest.mark.parametrize("axial_mm", [-0.63, 0.4])
def test_step_wander_and_level_are_found(step_mm: float, axial_mm: float) -> None:
    a, b = view(30.0, index=4), view(30.0 + step_mm, axial_mm, index=9, level=1.1)
    link = compared(a, b, step_mm + 1.3)
    assert (link.a, link.b, link.reason) == (4, 9, "")
    assert link.score > link.threshold
    ties = link.ties
    assert len(ties) >= 3
    assert (ties.a == 4).all() and (ties.b == 9).all()
    off, z = misses(ties, (30.0, 0.0), (30.0 + step_mm, axial_mm))
    assert np.abs(z).max() < 4.5
    assert np.abs(off).max() < 0.02
    assert link.step_mm == pytest.approx(step_mm, abs=0.01)
    # Mean of a patch of 64×64 half-resolution pixels with noise of 1 / 280: 6e-5. A frame that
    # wandered along the pipe sees the beam from beside: over z of 9 mm, with the panel 70 mm from
    # the axis, by 2 · 9 · 0.63 / 70² = 2.3e-3, the other way on the other side.
    np.testing.assert_allclose(ties.log_ratio, np.log(1.1), atol=1e-3 + 2.3e-3)
    assert ties.log_ratio.mean() == pytest.approx(np.log(1.1), abs=1e-3)
    # Noise alone: the disagreement is what the noise model says.
    assert np.median(ties.residual) == pytest.approx(1.0, abs=0.25)


def test_errors_are_as_large_as_the_ties_say() -> None:
    z = []
    for seed in range(10):
        a, b = view(30.0, seed=seed), view(39.31, 0.21, index=1, seed=seed)
        ties = compared(a, b, 9.0).ties
        z.append(misses(ties, (30.0, 0.0), (39.31, 0.21))[1])
    rms = np.sqrt(np.mean(np.concatenate(z) ** 2))
    # Some 180 numbers, which scatter by 5 %; the same metal each time, so that the views' own
    # errors (0.0005 mm, 0.003 of their pixels, as interpolation leaves them) don't average out.
    assert 0.8 < rms < 1.25


@pytest.mark.parametrize("patch_px", [64, 128, 256])
def test_patches_spread_over_the_overlap(patch_px: int) -> None:
    a, b = view(30.0), view(36.0, index=1)
    ties = compared(a, b, 6.0, patch_px=patch_px).ties
    assert 1 <= len(ties) <= 9
    half_mm = (GRID.columns - 1) / 2 * GRID.pitch_mm
    assert (np.abs(ties.s_a) < half_mm).all() and (np.abs(ties.s_b) < half_mm).all()
    assert np.ptp(ties.z_a) > 8 or len(ties) == 1
    np.testing.assert_allclose(ties.s_a - ties.s_b, 6.0, atol=0.05)


@pytest.mark.parametrize("search_mm", [1.0, 3.0, 6.0])
def test_the_search_reaches_as_far_as_told(search_mm: float) -> None:
    a, b = view(30.0), view(36.0, index=1)
    near = compared(a, b, 6.0 + 0.9 * search_mm, search_mm=search_mm)
    assert near.step_mm == pytest.approx(6.0, abs=0.02)
    far = compared(a, b, 6.0 + search_mm + 2.0, search_mm=search_mm)
    assert far.step_mm is None and len(far.ties) == 0
    assert far.differs and "structured places agree" in far.reason


def test_the_later_frame_may_lie_before_the_earlier_one() -> None:
    """As over the datum of a ring, when the scan has run past it."""
    a, b = view(30.0), view(25.0, index=1)
    assert compared(a, b, -4.2).step_mm == pytest.approx(-5.0, abs=0.02)


def test_over_the_datum() -> None:
    once = GEOMETRY.circumference_mm
    a, b = view(1.0), view(once - 4.0, index=1)
    assert compared(a, b, -4.5).step_mm == pytest.approx(-5.0, abs=0.02)


def test_a_blank_overlap_says_so() -> None:
    blank = metal(blank_mm=(0.0, 90.0))
    found = [
        compared(view(30.0, surface=blank, seed=s), view(38.0, index=1, surface=blank, seed=s), 8.0)
        for s in range(5)
    ]
    assert all(len(link.ties) == 0 and link.step_mm is None for link in found)
    assert all("blank overlap" in link.reason and not link.differs for link in found)
    assert all(link.score < link.threshold for link in found)


@pytest.mark.parametrize("blank_mm", [(0.0, 31.0), (31.0, 90.0)])
def test_structure_beside_what_is_searched_does_not_make_blank_overlaps_differ(
    blank_mm: tuple[float, float],
) -> None:
    """A strip of 3 mm at one end of the overlap holds structure, but the search can't reach it."""
    surface = metal(blank_mm=blank_mm)
    for seed in range(5):
        a, b = (view(at, index=k, surface=surface, seed=seed) for k, at in ((0, 30.0), (1, 48.0)))
        assert not compared(a, b, 18.0).differs


def test_a_blank_overlap_without_noise_too() -> None:
    blank = metal(blank_mm=(0.0, 90.0))
    a, b = (view(at, index=k, surface=blank, noise=None) for k, at in enumerate((30.0, 38.0)))
    link = compared(a, b, 8.0)
    assert len(link.ties) == 0 and link.reason


def test_other_metal_is_not_matched() -> None:
    found = [
        compared(view(30.0, seed=s), view(38.0, index=1, surface=metal(seed=1 + s)), 8.0)
        for s in range(5)
    ]
    assert all(len(link.ties) == 0 and link.differs for link in found)


def test_a_frame_of_bare_plate_beside_one_with_structure_differs() -> None:
    blank = metal(blank_mm=(0.0, 90.0))
    assert compared(view(30.0), view(38.0, index=1, surface=blank), 8.0).differs


@pytest.mark.parametrize("contrast", [0.002, 0.005])
def test_structure_lost_in_noise_is_still_matched_by_its_correlation(contrast: float) -> None:
    """Too faint for any block to tell (noise 0.002 of a view's pixel), clear over all of them."""
    faint = Metal(GEOMETRY.circumference_mm, 18.0, contrast=contrast).surface()
    a, b = (view(at, index=k, surface=faint) for k, at in ((0, 30.0), (1, 36.0)))
    link = compared(a, b, 6.5)
    assert link.score > link.threshold and link.reason == ""
    assert link.step_mm == pytest.approx(6.0, abs=0.1)


def test_the_threshold_is_fishers_with_bonferronis_bound() -> None:
    """Smaller overlaps need more, wider searches a little more; never more than 1."""
    a = view(30.0)
    near, far = (compared(a, view(30 + step, index=1), step) for step in (4.0, 16.0))
    assert 0 < near.threshold < far.threshold < 1
    wide = compared(a, view(46.0, index=1), 16.0, axial_search_mm=2.0)
    assert far.threshold < wide.threshold < 1
    # As many independent samples as the whole overlap has, nine coarse pixels each, and one shift:
    # chance reaches 5 σ of Fisher's transform (variance 1/(n − 3)) less than once in 10⁶.
    for step, link in ((4.0, near), (16.0, far)):
        n = (GRID.columns - step / GRID.pitch_mm) * GRID.rows / 4 / 9
        assert link.threshold > np.tanh(5.0 / np.sqrt(n - 3))


def test_too_small_an_overlap_is_not_compared() -> None:
    link = compared(view(30.0), view(60.0, index=1), 30.0)
    assert link.reason == "the overlap is too small to compare"
    assert link.step_mm is None and len(link.ties) == 0
    link = compared(view(30.0), view(200.0, index=1), 170.0)
    assert link.reason == "the overlap is too small to compare"


def test_doubling_shows_as_disagreement() -> None:
    """A place where one frame shows other metal: the residual there is far above the noise."""
    a, b = view(30.0), view(36.0, index=1)
    other = view(36.0, index=1, surface=metal(seed=3))
    b.texture[60:75, 60:75] = other.texture[60:75, 60:75]
    ties = compared(a, b, 6.0, patch_px=64).ties
    usual = compared(a, view(36.0, index=1), 6.0, patch_px=64).ties
    assert ties.residual.max() > 1.2 * usual.residual.max()


def test_ties_join_and_take() -> None:
    ties = compared(view(30.0), view(36.0, index=1), 6.0).ties
    both = Ties.join([ties, ties.take(np.array([1, 0])), Ties.join([])])
    assert len(both) == len(ties) + 2
    assert both.s_a[-1] == ties.s_a[0] and both.covariance.shape == (len(both), 2, 2)
    assert len(ties.take(np.zeros(len(ties), bool))) == 0
    assert len(Ties.join([])) == 0
