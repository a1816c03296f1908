"""Shifts between pictures of known shift: how near, how sure, and when there is none to tell."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import ndimage

from pipeline.kernels.correlation import best_match
from pipeline.kernels.shift import refine_shift
from tests.kernels.shifted_pictures import SIZE, cramer_rao, moved, noisy, structure

WINDOW = (24, 20, 72, 80)
SEEDS = 100


def off_by(seed: int, sigma: float, blur_px: float, **options: float) -> tuple[np.ndarray, ...]:
    """(error, reported sigma), both (down, across), and the Cramér–Rao bound (variances)."""
    rng = np.random.default_rng([seed, 1])
    truth = rng.uniform(-2, 2, 2)
    metal = structure(seed)
    a, b = noisy(metal, sigma, rng, blur_px), noisy(moved(metal, *truth), sigma, rng, blur_px)
    start = tuple(truth + rng.uniform(-0.7, 0.7, 2))
    found = refine_shift(a, b, WINDOW, start, blur_px=blur_px, **options)
    assert found is not None and found.converged
    error = np.array([found.rows, found.columns]) - truth
    return error, np.sqrt(np.diag(found.covariance)), np.diag(cramer_rao(metal, WINDOW, sigma))


@pytest.mark.parametrize(("sigma", "blur_px"), [(0.1, 0.0), (0.3, 0.0), (0.1, 1.0), (0.2, 1.4)])
def test_errors_are_as_large_as_their_sigmas_say(sigma: float, blur_px: float) -> None:
    errors, sigmas, _ = zip(*(off_by(seed, sigma, blur_px) for seed in range(SEEDS)), strict=True)
    z = np.array(errors) / np.array(sigmas)
    # 200 numbers: their standard deviation scatters by 5 %; sigmas come from 20 … 30 clusters of
    # 16×16 px and scatter by 15 %, which widens z by 2 %.
    assert 0.8 < z.std() < 1.25
    assert abs(z.mean()) < 4 / np.sqrt(z.size)  # no bias
    assert np.abs(z).max() < 5


@pytest.mark.parametrize("sigma", [0.03, 0.1, 0.3])
def test_errors_come_near_the_cramer_rao_bound(sigma: float) -> None:
    errors, _, bounds = zip(*(off_by(seed, sigma, 0) for seed in range(SEEDS)), strict=True)
    ratio = np.sqrt(np.mean(np.array(errors) ** 2 / np.array(bounds)))
    # 200 numbers: 5 %. Central differences see 0.94 of a gradient at this structure's waves, and
    # Huber's clipping at 3 σ costs 1 %; at σ = 0.3 the measured gradients are as much noise as
    # structure, which costs some 20 %.
    assert 0.85 < ratio < (1.2 if sigma < 0.2 else 1.4)


def test_without_noise_only_the_interpolation_is_left() -> None:
    metal = structure(3)
    a = metal.astype(np.float32)
    for down, across in [(0.0, 0.0), (0.5, -0.5), (1.27, 0.31), (-1.9, 1.01)]:
        b = moved(metal, down, across).astype(np.float32)
        found = refine_shift(a, b, WINDOW, (0.0, 0.0))
        assert found is not None and found.converged
        # Six points pass a structure smoothed by 3 px to 1e-4 of itself; a Gauss-Newton step
        # shorter than 4e-3 px is followed by one below 1e-4 px.
        assert np.hypot(found.rows - down, found.columns - across) < 1e-3
        assert found.residual < 1e-2


@pytest.mark.parametrize(("spread_px", "limit"), [(2, 4.5), (3, 7.5)])
def test_what_is_in_one_picture_only_hardly_counts_and_its_doubt_shows(
    spread_px: float, limit: float
) -> None:
    """A spot of five times the structure (fifty times the noise) in the second picture."""
    row, column = np.mgrid[:SIZE, :SIZE]
    errors, claims, plain = [], [], []
    for seed in range(40):
        rng = np.random.default_rng([seed, 2])
        metal, truth = structure(seed), rng.uniform(-1, 1, 2)
        a, b = noisy(metal, 0.1, rng), noisy(moved(metal, *truth), 0.1, rng)
        r, c = rng.integers(45, 75, 2)
        away = ((row - r) ** 2 + (column - c) ** 2) / spread_px**2
        spot = 5 * np.exp(-0.5 * away)
        found = refine_shift(a, (b + spot).astype(np.float32), WINDOW, (0.0, 0.0))
        assert found is not None and found.converged
        bound = np.sqrt(np.diag(cramer_rao(metal, WINDOW, 0.1)))
        error = [found.rows, found.columns] - truth
        errors.append(np.abs(error) / bound)
        claims.append(np.abs(error) / np.sqrt(np.diag(found.covariance)))
        # What least squares without the robust weight would make of it, to first order.
        g = np.stack([k[24:96, 20:100].ravel() for k in np.gradient(moved(metal, *truth))])
        plain.append(np.abs(np.linalg.solve(g @ g.T, g @ spot[24:96, 20:100].ravel())) / bound)
    # The spot's pixels pull at 3 σ each, but its own steep rim stays in the gradients: some bounds.
    assert np.max(errors) < limit
    assert np.median(errors) < 0.25 * np.median(plain)
    assert np.max(claims) < 4.5  # the clusters of pixels show the disagreement


@pytest.mark.parametrize(("tolerance", "steps"), [(4e-3, 12), (1e-3, 12), (4e-3, 30)])
def test_tolerance_and_steps_change_little(tolerance: float, steps: int) -> None:
    rng = np.random.default_rng(8)
    metal = structure(8)
    a, b = noisy(metal, 0.1, rng), noisy(moved(metal, 0.7, -0.4), 0.1, rng)
    usual = refine_shift(a, b, WINDOW, (0.0, 0.0))
    other = refine_shift(a, b, WINDOW, (0.0, 0.0), tolerance_px=tolerance, max_steps=steps)
    assert usual is not None and other is not None
    assert np.hypot(usual.rows - other.rows, usual.columns - other.columns) < 1e-3


def test_an_iteration_that_is_cut_short_says_so() -> None:
    metal = structure(9)
    b = moved(metal, 1.5, -1.2).astype(np.float32)
    found = refine_shift(metal.astype(np.float32), b, WINDOW, (0.0, 0.0), max_steps=2)
    assert found is not None and not found.converged


# ---- shifts that vary, contrasts that differ ----------------------------------------------------


def waves(seed: int, row: np.ndarray, column: np.ndarray) -> np.ndarray:
    """Structure that can be looked at anywhere: plane waves of 8 to 40 px, standard deviation 1."""
    rng = np.random.default_rng(seed)
    angle, length, phase = (
        rng.uniform(*ends, 80) for ends in ((0, np.pi), (8, 40), (0, 2 * np.pi))
    )
    total = np.zeros(row.shape)
    for a, n, p in zip(angle, length, phase, strict=True):
        total += np.cos(2 * np.pi * (row * np.sin(a) + column * np.cos(a)) / n + p)
    return total / np.sqrt(40)


BEND = np.array([[0.002, -0.003, 0.0, 4e-5, 0.0], [0.0005, 0.008, 0.0, 0.0, -6e-5]])
MIDDLE = (24 + 35.5, 20 + 39.5)  # of WINDOW


def varied(row: np.ndarray, column: np.ndarray) -> np.ndarray:
    """(2, …): the shift (0.4, −0.6) px in the middle of WINDOW, and elsewhere by BEND."""
    y, x = row - MIDDLE[0], column - MIDDLE[1]
    by = np.tensordot(BEND, np.stack([y, x, y * y, x * y, x * x]), 1)
    return by + np.array([0.4, -0.6]).reshape(2, *[1] * np.ndim(row))


def bent_pair(seed: int) -> tuple[np.ndarray, np.ndarray]:
    row, column = np.mgrid[:SIZE, :SIZE].astype(np.float64)
    # b shows at p + shift(p) what a shows at p: from where each of b's pixels came.
    from_row, from_column = row, column
    for _ in range(8):
        down, across = varied(from_row, from_column)
        from_row, from_column = row - down, column - across
    # Strong in one corner, so that what tells the shift lies away from the middle.
    strength = 1 + 4 * np.exp(-((from_row - 40) ** 2 + (from_column - 85) ** 2) / 200)
    here = 1 + 4 * np.exp(-((row - 40) ** 2 + (column - 85) ** 2) / 200)
    a, b = here * waves(seed, row, column), strength * waves(seed, from_row, from_column)
    return a.astype(np.float32), b.astype(np.float32)


@pytest.mark.parametrize("near", [False, True])
def test_a_shift_that_varies_as_told_is_found_at_its_place(near: bool) -> None:
    off, careless = [], []
    for seed in range(6):
        a, b = bent_pair(seed)
        for bend, into in ((BEND, off), (None, careless)):
            found = refine_shift(a, b, WINDOW, (0.3, -0.5), bend=bend, near=near)
            assert found is not None and found.converged
            truth = varied(*(np.array(k) for k in found.at))
            into.append([found.rows - truth[0], found.columns - truth[1]])
    # The mean gradient carries a shift d over to an error of d³/12 of the third derivative: of the
    # 0.3 px at the window's borders 0.3 % for waves of 8 px; and a step of 4e-3 px is the last.
    assert np.abs(off).max() < 2e-3
    assert np.abs(careless).max() > 5 * np.abs(off).max()


def test_a_window_that_cuts_a_feature_of_other_contrast_sees_no_shift() -> None:
    """A bar across the window's upper border, with one end inside; darker by 5 % in b."""
    rng = np.random.default_rng(5)
    row, column = np.mgrid[:SIZE, :SIZE].astype(np.float64)
    bar = ndimage.gaussian_filter(((row < 60) & (abs(column - 60) < 4)).astype(float), 1.3)
    metal = 0.02 * structure(5)
    a, b = (noisy(metal - depth * bar, 0.004, rng, 1.0) for depth in (1.0, 1.05))
    found = refine_shift(a, b, WINDOW, (0.0, 0.0), blur_px=1.0)
    assert found is not None and found.converged
    # Taken for a shift, 5 % of the bar would move its end by 0.05 · ½ / Σ(slope²), with a slope of
    # 0.31 and a Gaussian edge's Σ of 0.22 a row: 0.11 px. Noise leaves 2 · 0.004² / (8 · 0.22).
    assert abs(found.rows) < 0.02
    assert abs(found.columns) < 0.01


# ---- when there is nothing to tell --------------------------------------------------------------


def test_flat_pictures_and_pictures_with_structure_one_way_have_no_shift() -> None:
    flat = np.full((SIZE, SIZE), 0.1, np.float32)
    assert refine_shift(flat, flat, WINDOW, (0.0, 0.0)) is None
    across = np.tile(structure(1)[0], (SIZE, 1)).astype(np.float32)
    assert refine_shift(across, across, WINDOW, (0.0, 0.0)) is None
    along = np.ascontiguousarray(across.T)
    assert refine_shift(along, along, WINDOW, (0.0, 0.0)) is None


@pytest.mark.parametrize("blur_px", [0.0, 1.0, 1.4])
def test_two_pictures_of_noise_claim_no_shift(blur_px: float) -> None:
    claimed = 0
    for seed in range(60):
        rng = np.random.default_rng([seed, 3])
        a, b = (noisy(np.zeros((SIZE, SIZE)), 1.0, rng, blur_px) for _ in range(2))
        shift = refine_shift(a, b, WINDOW, (0.0, 0.0), blur_px=blur_px)
        if shift is not None and shift.converged:
            claimed += 1
            # What noise has in common by chance is little: a tie that weighs next to nothing.
            assert np.linalg.eigvalsh(shift.covariance)[0] > 0.1**2
    # The two noises share a twentieth of their structure by chance more often when few waves
    # are left of it; white noise of 5,760 px practically never.
    assert claimed <= (0 if blur_px == 0 else 9)


def test_noise_on_stripes_one_way_claims_no_shift_along_them() -> None:
    stripes = np.tile(structure(1)[0], (SIZE, 1))
    for seed in range(20):
        rng = np.random.default_rng([seed, 4])
        a, b = noisy(stripes, 0.3, rng, 1.0), noisy(stripes, 0.3, rng, 1.0)
        shift = refine_shift(a, b, WINDOW, (0.0, 0.0))
        assert shift is None or not shift.converged or shift.covariance[0, 0] > 0.1**2


@pytest.mark.parametrize("reach", [1.0, 3.0])
def test_running_further_than_reach_is_no_shift(reach: float) -> None:
    metal = structure(5, wave_px=8.0)
    a = metal.astype(np.float32)
    b = moved(metal, 0.0, reach + 1.5).astype(np.float32)
    assert refine_shift(a, b, WINDOW, (0.0, 0.0), reach_px=reach) is None
    found = refine_shift(a, b, WINDOW, (0.0, 1.5), reach_px=reach + 0.5)
    assert found is not None and found.columns == pytest.approx(reach + 1.5, abs=5e-3)


def test_a_window_too_near_either_pictures_border_is_refused_not_read_past() -> None:
    picture = structure(6).astype(np.float32)
    near = 8  # ceil(reach) + 5, for a reach of 3 px
    fits = (near, near, SIZE - 2 * near, SIZE - 2 * near)
    assert refine_shift(picture, picture, fits, (0.0, 0.0)) is not None
    for k in range(4):
        window = list(fits)
        window[k] += -1 if k < 2 else 1
        assert refine_shift(picture, picture, tuple(window), (0.0, 0.0)) is None
    for start in [(0.5, 0.0), (-0.5, 0.0), (0.0, 0.5), (0.0, -0.5)]:
        assert refine_shift(picture, picture, fits, start) is None


@pytest.mark.parametrize("what", [np.nan, np.inf, -np.inf])
@pytest.mark.parametrize(
    "where",
    [(slice(50, 60), slice(50, 60)), (51, 53), (slice(None), slice(None))],
    ids=["spot", "pixel", "all"],
)
def test_values_that_are_no_numbers_end_without_a_shift(
    what: float, where: tuple[slice | int, slice | int]
) -> None:
    """One pixel too, which the robust spread of every fourth one doesn't see."""
    metal = structure(7).astype(np.float32)
    spoiled = metal.copy()
    spoiled[where] = what
    for a, b in [(metal, spoiled), (spoiled, metal), (spoiled, spoiled)]:
        assert refine_shift(a, b, WINDOW, (0.3, 0.4)) is None


# ---- best_match ---------------------------------------------------------------------------------


@pytest.mark.parametrize("corner", [(13, 30), (40, 5), (1, 62)])
def test_best_match_finds_the_place_to_a_part_of_a_pixel(corner: tuple[int, int]) -> None:
    metal = structure(2)
    row, column = corner
    for down, across in [(0.0, 0.0), (0.3, -0.4), (0.5, 0.2)]:
        field = moved(metal, down, across).astype(np.float32)
        template = metal[row : row + 48, column : column + 60].astype(np.float32)
        peak = best_match(template, field, lobe_px=8)
        assert peak is not None
        # A parabola through the correlation of structure smoothed by 3 px (its top 4 px wide).
        assert peak.rows == pytest.approx(row + down, abs=0.05)
        assert peak.columns == pytest.approx(column + across, abs=0.05)
        assert peak.score > 0.97
        assert peak.second < 0.5  # well outside the peak's own lobe (waves of 3 px)


def test_a_place_to_avoid_is_passed_over() -> None:
    metal = structure(2).astype(np.float32)
    template, field = metal[20:60, 30:80], metal.copy()
    best = best_match(template, field, lobe_px=3)
    assert best is not None and best.score > 0.999
    other = best_match(template, field, lobe_px=3, avoid=(20.2, 29.7))
    assert other is not None and other.score < 0.9
    assert max(abs(other.rows - 20), abs(other.columns - 30)) > 3
    # A search no larger than what is avoided leaves nothing.
    assert best_match(template, metal[18:62, 28:82], lobe_px=3, avoid=(2, 2)) is None


def test_a_texture_that_repeats_has_a_second_peak_as_good() -> None:
    metal = np.tile(structure(4, size=64), (2, 2)).astype(np.float32)
    peak = best_match(metal[10:50, 10:50], metal, lobe_px=4)
    assert peak is not None
    assert peak.second == pytest.approx(peak.score, abs=1e-5)


def test_a_peak_at_the_searchs_border_is_told_to_whole_pixels() -> None:
    metal = structure(2).astype(np.float32)
    peak = best_match(metal[:60, 20:80], metal[:80], lobe_px=4)
    assert peak is not None and peak.rows == 0.0


@pytest.mark.parametrize("value", [0.0, 0.1, 1.0, -3.3])
def test_flat_pictures_match_nowhere(value: float) -> None:
    """Also values whose float32 mean isn't the value, so that their scatter isn't quite zero."""
    flat_template = np.full((40, 40), value, np.float32)
    flat_field = np.full((60, 60), value, np.float32)
    metal = structure(2).astype(np.float32)
    assert best_match(flat_template, flat_field, lobe_px=3) is None
    assert best_match(flat_template, metal, lobe_px=3) is None
    peak = best_match(metal[:40, :40], flat_field, lobe_px=3)
    assert peak is None or peak.score < 0.1


@pytest.mark.parametrize("strong_rows", [(20, 50), (60, 110), (0, 128)])
def test_a_stretched_patch_tells_where_its_shift_holds(strong_rows: tuple[int, int]) -> None:
    """The second picture is the first one stretched along the rows by 0.5 % about row 84: the shift
    grows with the row, and what is found is the one at ``at``, wherever the structure lies."""
    stretch, about = 0.005, 84.0
    rng = np.random.default_rng(6)
    first = ndimage.gaussian_filter(rng.standard_normal((168, 168)), 2.0)
    height = np.full(168, 0.1)
    height[20 + strong_rows[0] : 20 + strong_rows[1]] = 1.0
    first *= ndimage.gaussian_filter1d(height, 3)[:, np.newaxis]
    rows, columns = np.mgrid[:168, :168].astype(np.float64)
    back = about + (rows - about) / (1 + stretch)
    second = ndimage.map_coordinates(first, [back, columns], order=5, mode="nearest")
    found = refine_shift(
        first.astype(np.float32), second.astype(np.float32), (20, 20, 128, 128), (0.0, 0.0)
    )
    assert found is not None and found.converged
    # The middle of a 30 to 128 rows high band of some hundred blobs, and their own unevenness.
    assert found.at[0] == pytest.approx(20 + np.mean(strong_rows), abs=12)
    # Blobs that are torn by ±0.3 px tell it to four rows, 0.02 px; the patch's middle would be up
    # to 29 rows off.
    assert found.rows == pytest.approx(stretch * (found.at[0] - about), abs=0.02)
