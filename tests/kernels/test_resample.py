"""The interpolation against a plain, dense twin in numpy, and what it promises about noise."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.kernels.interpolation import noise_left
from pipeline.kernels.resample import (
    BEND,
    BLOCK,
    C0,
    COLUMN_TABLE,
    COUNT,
    NOISE_FIXED,
    NOISE_LINEAR,
    NOISE_SQUARE,
    R0,
    SCALE,
    SLOPE,
    SPREAD_COLUMNS,
    SPREAD_SUMS,
    STEP,
    SUM_VALUE,
    SUM_VARIANCE,
    SUM_WEIGHT,
    TILE_SUMS,
    WEIGHT,
    accumulate,
    by_columns,
    unroll,
)

ROWS, COLUMNS = 60, 90
# Two passes of six products and sums in float32, weights up to 1.2 and the sum of their sizes
# below 1.7 each way: 1.7² * 12 * 6e-8 = 2e-6 of the largest value.
FLOAT32_SHARE = 2e-6


def lagrange(phase: np.ndarray) -> np.ndarray:
    """(6, …): weights of the samples at −2 … 3, by the textbook product."""
    nodes = range(-2, 4)
    return np.stack(
        [np.prod([(phase - m) / (k - m) for m in nodes if m != k], axis=0) for k in nodes]
    )


@dataclass
class Job:
    """One frame and one block's column table."""

    values: np.ndarray
    flags: np.ndarray
    table: np.ndarray
    row_weight: np.ndarray
    strip_rows: int
    row_scale: np.ndarray = field(default_factory=lambda: np.ones(ROWS, np.float32))

    @property
    def tile(self) -> np.ndarray:
        return np.zeros((self.table.shape[1], TILE_SUMS, self.strip_rows), np.float32)

    @property
    def spread(self) -> np.ndarray:
        sampled = -(-self.table.shape[1] // SPREAD_COLUMNS)
        return np.zeros((sampled, SPREAD_SUMS, self.strip_rows), np.float32)

    def accumulate(self, tile: np.ndarray, spread: np.ndarray | None = None) -> np.ndarray:
        """The sums as (strip rows, TILE_SUMS, columns)."""
        accumulate(
            by_columns(self.values),
            by_columns(self.flags),
            self.table,
            self.row_scale,
            self.row_weight,
            0,
            tile,
            self.spread if spread is None else spread,
        )
        return tile.transpose(2, 1, 0)

    def unroll(self) -> np.ndarray:
        return unroll(self.values, self.table, self.strip_rows)

    def places(self) -> tuple[np.ndarray, np.ndarray]:
        """x (panel rows, n) and y (strip rows, n) as float32 places them, held inside the panel."""
        rows, columns = self.values.shape
        x = self.table[C0] + self.table[SLOPE] * np.arange(rows, dtype=np.float32)[:, np.newaxis]
        at = np.arange(self.strip_rows, dtype=np.float32)[:, np.newaxis]
        y = self.table[R0] + self.table[STEP] * at / (np.float32(1) + self.table[BEND] * at)
        two = np.float32(2)
        return np.clip(x, two, np.float32(columns - 4)), np.clip(y, two, np.float32(rows - 4))


def made(
    seed: int, n: int = 37, slope: float = 0.013, strip_rows: int = 64, bend: float = 0.0
) -> Job:
    """Random values, flags and a table whose ends leave the panel on all four sides.

    With a ``bend`` the slopes fan out too, as a pitched panel's do.
    """
    rng = np.random.default_rng(seed)
    table = np.empty((COLUMN_TABLE, n), np.float32)
    table[C0] = np.linspace(-2, COLUMNS + 1, n) + rng.uniform(-0.5, 0.5, n)
    table[R0] = rng.uniform(-3, 3) + 0.002 * np.arange(n)
    table[STEP] = rng.uniform(0.93, 1.03) + 1e-4 * np.arange(n)
    table[SLOPE], table[BEND] = slope + 3 * bend * np.linspace(-1, 1, n), bend
    table[SCALE] = rng.uniform(0.8, 1.2, n)
    table[WEIGHT] = rng.uniform(0, 2e-4, n)
    table[WEIGHT, :3] = 0
    table[NOISE_FIXED], table[NOISE_LINEAR] = rng.uniform(5, 20, n), rng.uniform(0.5, 2, n)
    table[NOISE_SQUARE] = 1e-6
    row_weight = np.clip((np.arange(ROWS) - 3) / 12, 0, 1) * np.clip(
        (ROWS - 4 - np.arange(ROWS)) / 12, 0, 1
    )
    return Job(
        rng.normal(9000, 400, (ROWS, COLUMNS)).astype(np.float32),
        (rng.random((ROWS, COLUMNS)) < 0.02).astype(np.uint8) * rng.integers(1, 4, dtype=np.uint8),
        table,
        row_weight.astype(np.float32),
        strip_rows,
    )


def dense(job: Job) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """(values, weights, variances) of every strip pixel: every tap of every pixel, float64."""
    rows, _ = job.values.shape
    n = job.table.shape[1]
    x, y = job.places()
    left = np.floor(x).astype(int)
    taps = lagrange(x.astype(np.float64) - left)
    row = np.arange(rows)[:, np.newaxis]
    scaled = job.values * job.row_scale[:, np.newaxis].astype(np.float64)
    across = sum(taps[k] * scaled[row, left + k - 2] for k in range(6))
    good = (job.flags[row, left] == 0) & (job.flags[row, left + 1] == 0)
    above = np.floor(y).astype(int)
    taps = lagrange(y.astype(np.float64) - above)
    j = np.arange(n)
    value = sum(taps[k] * across[above + k - 2, j] for k in range(6)) * job.table[SCALE]
    fine = good[above, j] & good[above + 1, j]
    weight = job.table[WEIGHT] * job.row_weight[above] * fine
    # The column's phase at the pixel's own row.
    at = np.maximum(job.table[C0] + job.table[SLOPE] * y, 0)
    phases = [p.astype(np.float64) - np.floor(p) for p in (at, y)]
    positive = np.maximum(value, 0)
    left_over = np.prod([np.sum(lagrange(phase) ** 2, axis=0) for phase in phases], axis=0)
    photons = job.table[NOISE_FIXED] + job.table[NOISE_LINEAR] * positive
    # The gain map's own noise counts whole: it is as smooth as what the interpolation leaves.
    variance = left_over * photons + job.table[NOISE_SQUARE] * positive**2
    return value, weight, variance


@pytest.mark.parametrize(("slope", "bend"), [(0.0, 0.0), (0.013, 0.0), (-0.021, 2e-4)])
@pytest.mark.parametrize("seed", range(3))
def test_accumulate_equals_its_dense_twin(seed: int, slope: float, bend: float) -> None:
    job = made(seed, slope=slope, bend=bend)
    job.row_scale = np.linspace(0.98, 1.03, ROWS, dtype=np.float32)
    before = job.values.copy(), job.flags.copy(), job.table.copy()
    tile = job.accumulate(job.tile)
    value, weight, variance = dense(job)
    np.testing.assert_allclose(tile[:, SUM_WEIGHT], weight, rtol=1e-6)
    np.testing.assert_array_equal(tile[:, COUNT], weight > 0)
    scale = np.abs(job.values).max()
    assert np.abs(tile[:, SUM_VALUE] - weight * value).max() < FLOAT32_SHARE * scale * weight.max()
    # The factor's own step at a boundary between two phases: 1/64 of a slope below 2.
    np.testing.assert_allclose(tile[:, SUM_VARIANCE], weight**2 * variance, rtol=0.04)
    mostly = np.abs(tile[:, SUM_VARIANCE] / np.where(weight, weight**2 * variance, 1) - 1) < 1e-4
    assert mostly[weight > 0].mean() > 0.99
    for now, then in zip((job.values, job.flags, job.table), before, strict=True):
        np.testing.assert_array_equal(now, then)
    assert (weight > 0).sum() > 1000  # the test tests something


@pytest.mark.parametrize(("slope", "bend"), [(0.0, 0.0), (0.013, -3e-4), (0.0, 2e-4)])
def test_unroll_equals_its_dense_twin(slope: float, bend: float) -> None:
    job = made(7, slope=slope, bend=bend)
    value, _, _ = dense(job)
    found = job.unroll()
    assert np.isfinite(found).all()
    expected = value / job.table[SCALE]  # the unrolled copy keeps the frame's own level
    assert np.abs(found - expected).max() < FLOAT32_SHARE * np.abs(job.values).max()


def test_sums_of_several_frames_add_up() -> None:
    jobs = [made(seed) for seed in (1, 2)]
    sums = jobs[0].tile
    for job in jobs:
        tile = job.accumulate(sums)
    alone = [job.accumulate(job.tile) for job in jobs]
    # One float32 addition.
    np.testing.assert_allclose(tile, alone[0] + alone[1], rtol=2e-7)


@given(
    st.lists(st.floats(-1, 1), min_size=36, max_size=36),
    st.floats(0.9, 1.05),
    st.floats(-0.02, 0.02),
    st.floats(0, 1),
)
@settings(max_examples=40, deadline=None, derandomize=True)
def test_polynomials_up_to_the_fifth_degree_come_back_exactly(
    coefficients: list[float], step: float, slope: float, phase: float
) -> None:
    c = np.reshape(coefficients, (6, 6))
    row, column = np.mgrid[:ROWS, :COLUMNS]

    def polynomial(r: np.ndarray, q: np.ndarray) -> np.ndarray:
        return np.polynomial.polynomial.polyval2d((r - 30) / 30, (q - 45) / 45, c)

    job = made(0, n=20, slope=slope, strip_rows=40)
    job.values = polynomial(row, column).astype(np.float32)
    job.table[C0] = 20 + phase + 2.3 * np.arange(20)
    job.table[R0], job.table[STEP] = 5 + phase, step
    # Along a rolled column the place across moves linearly with the row, so what is interpolated
    # along the rows is again a polynomial, but of the summed degree: only each row's own
    # polynomial may then reach the fifth degree.
    if slope:
        c[np.add.outer(np.arange(6), np.arange(6)) > 5] = 0
        job.values = polynomial(row, column).astype(np.float32)
    _, y = job.places()
    x = job.table[C0].astype(np.float64) + job.table[SLOPE] * y
    # Values are rounded to float32 before (6e-8 of up to 36), places to 4e-6 px of a slope below
    # 36 * 5 / 30 a pixel; then the arithmetic.
    tolerance = 36 * FLOAT32_SHARE + 8e-6 * 6 + 1e-5
    assert np.abs(job.unroll() - polynomial(y, x)).max() < tolerance


def test_transfer_at_half_nyquist_is_at_least_095_at_any_phase() -> None:
    at = np.arange(6) - 2
    for phase in np.linspace(0, 1, 41):
        response = np.sum(lagrange(np.array(phase)) * np.exp(0.5j * np.pi * (at - phase)))
        assert abs(response) > 0.95


def test_noise_left_is_the_sum_of_squared_weights() -> None:
    phase = np.linspace(0, 1, 401)
    left = np.array([noise_left(np.float32(f)) for f in phase])
    np.testing.assert_allclose(left, np.sum(lagrange(phase) ** 2, axis=0), rtol=1e-6)
    assert left[0] == left[-1] == 1


# ---- bad pixels ---------------------------------------------------------------------------------


def test_a_bad_pixel_weighs_nothing_in_the_two_by_two_around_it_only() -> None:
    job = made(3, n=60, slope=0.0, strip_rows=50)
    job.flags[:] = 0
    job.row_weight[:] = 1
    job.table[C0], job.table[WEIGHT] = 10.25 + np.arange(60), 1
    job.table[R0], job.table[STEP] = 5.5, 1
    job.flags[20, 40] = 2
    seen = job.accumulate(job.tile)[:, COUNT] > 0
    row, column = 5.5 + np.arange(50), 10.25 + np.arange(60)
    near = np.outer(np.abs(row - 20) < 1, np.abs(column - 40) < 1)
    assert near.sum() == 4
    np.testing.assert_array_equal(seen, ~near)


def test_a_bad_pixel_exactly_under_a_strip_pixel_is_not_used() -> None:
    job = made(3, n=60, slope=0.0, strip_rows=50)
    job.flags[:] = 0
    job.row_weight[:] = 1
    job.table[C0], job.table[WEIGHT], job.table[R0], job.table[STEP] = 10 + np.arange(60), 1, 5, 1
    job.flags[20, 40] = 1
    seen = job.accumulate(job.tile)[:, COUNT] > 0
    assert not seen[15, 30]
    # Beside it only those that have it among their four: up and left.
    assert not seen[14:16, 29:31].any()
    assert seen.sum() == seen.size - 4


def test_all_flagged_adds_nothing() -> None:
    job = made(4)
    job.flags[:] = 1
    assert not job.accumulate(job.tile).any()


def test_a_value_below_the_dark_counts_with_the_fixed_noise_alone() -> None:
    job = made(5, n=8, slope=0.0, strip_rows=10)
    job.values[:] = -3
    job.flags[:] = 0
    job.row_weight[:] = 1
    job.table[C0], job.table[R0], job.table[STEP] = 20 + np.arange(8), 10, 1  # phase zero
    job.table[WEIGHT], job.table[SCALE] = 0.5, 1
    tile = job.accumulate(job.tile)
    np.testing.assert_array_equal(tile[:, SUM_VALUE], -1.5)
    np.testing.assert_allclose(tile[0, SUM_VARIANCE], 0.25 * job.table[NOISE_FIXED], rtol=1e-6)


# ---- independence -------------------------------------------------------------------------------


@pytest.mark.parametrize("cuts", [(64, 128, 192), (1, 65, 129, 193), (7, 40, 103, 150), (199,)])
@pytest.mark.parametrize(("slope", "bend"), [(0.0, 0.0), (0.013, 2e-4)])
def test_a_strip_pixel_is_the_same_bits_in_any_block(
    cuts: tuple[int, ...], slope: float, bend: float
) -> None:
    job = made(11, n=200, slope=slope, bend=bend)
    whole, unrolled = job.accumulate(job.tile), job.unroll()
    for start, end in zip((0, *cuts), (*cuts, 200), strict=True):
        part = Job(
            job.values,
            job.flags,
            job.table[:, start:end],
            job.row_weight,
            job.strip_rows,
        )
        np.testing.assert_array_equal(part.accumulate(part.tile), whole[:, :, start:end])
        np.testing.assert_array_equal(part.unroll(), unrolled[:, start:end])


def test_rows_wholly_off_the_panel_leave_the_sums_as_they_were() -> None:
    """What isn't computed must not be read: nothing times a leftover NaN would spoil the sums."""
    for first_row in (ROWS - 2.5, ROWS + 20.0, -500.0):
        job = made(12, n=BLOCK, strip_rows=8)
        job.table[R0], job.table[STEP] = first_row, 1
        tile = job.tile + np.float32(3)
        for _ in range(20):  # leave NaN in the memory that the kernel gets next
            spoiled = [np.full((ROWS, BLOCK), np.nan, np.float32) for _ in range(6)]
            del spoiled
            job.accumulate(tile)
            assert np.isfinite(job.unroll()).all()
        np.testing.assert_array_equal(tile, 3)


# ---- noise --------------------------------------------------------------------------------------


def test_measured_noise_is_the_predicted_one() -> None:
    """Two frames of white noise, unequal weights: scatter against sigma, over many pixels."""
    rng = np.random.default_rng(5)
    squares, pixels = 0.0, 0
    for draw in range(6):
        job = made(draw, n=70, strip_rows=40)
        job.flags[:] = 0
        job.row_weight[:] = 1
        job.table[C0], job.table[R0] = 9.3 + 0.97 * np.arange(70), 7.6
        job.table[SCALE], job.table[NOISE_LINEAR], job.table[NOISE_SQUARE] = 1, 0.4, 0
        job.table[NOISE_FIXED] = 25
        tile = job.tile
        for weight in (1.0, 0.37):
            job.table[WEIGHT] = weight
            job.table[C0] += 0.41
            job.table[R0] += 0.23
            sigma = np.sqrt(25 + 0.4 * 1000)
            job.values = rng.normal(1000, sigma, (ROWS, COLUMNS)).astype(np.float32)
            sums = job.accumulate(tile)
        mean = sums[:, SUM_VALUE] / sums[:, SUM_WEIGHT]
        predicted = sums[:, SUM_VARIANCE] / sums[:, SUM_WEIGHT] ** 2
        squares += float(np.sum((mean - 1000) ** 2 / predicted))
        pixels += mean.size
    # Neighbours share noise, some half of the pixels count: sqrt(2 / 8400) = 1.5 %; three of them.
    assert squares / pixels == pytest.approx(1, abs=0.05)
