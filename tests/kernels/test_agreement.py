"""Blocks of two pictures: variances and covariance as NumPy has them, rows' means taken out."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.kernels.agreement import block_products


def twin(a: np.ndarray, b: np.ndarray, size: int) -> tuple[float, float, float]:
    """One block the plain way."""
    a, b = (p.astype(np.float64) - p.mean(axis=1, keepdims=True, dtype=np.float64) for p in (a, b))
    return tuple(float((x * y).sum() / size**2) for x, y in ((a, a), (a, b), (b, b)))  # type: ignore[return-value]


@pytest.mark.parametrize("size", [1, 5, 12])
def test_blocks_are_as_numpy_has_them(size: int) -> None:
    rng = np.random.default_rng(size)
    a, b = rng.normal(3, 1, (2, 40, 50)).astype(np.float32)
    at_a = rng.integers(0, (41 - size, 51 - size), (30, 2))
    at_b = rng.integers(0, (41 - size, 51 - size), (30, 2))
    at_a[0], at_b[0] = (0, 0), (40 - size, 50 - size)  # both corners
    found = block_products(a, b, at_a, at_b, size)
    expected = [
        twin(a[r : r + size, c : c + size], b[p : p + size, q : q + size], size)
        for (r, c), (p, q) in zip(at_a, at_b, strict=True)
    ]
    # Values of 3 squared, summed over 144 in float64 from float32: 1e-6 and to spare.
    np.testing.assert_allclose(found, expected, atol=1e-5)


def test_what_is_the_same_all_along_the_rows_does_not_count() -> None:
    a = np.random.default_rng(1).integers(-3, 4, (20, 30)).astype(np.float32)  # exact sums
    edges = 100 * np.arange(20, dtype=np.float32)[:, np.newaxis]
    at = np.array([[2, 3], [7, 16]])
    np.testing.assert_allclose(
        block_products(a + edges, a, at, at, 12), block_products(a, a, at, at, 12), rtol=1e-9
    )


@pytest.mark.parametrize("place", [(-1, 0), (0, -1), (9, 0), (0, 19)])
def test_a_block_that_leaves_its_picture_is_refused(place: tuple[int, int]) -> None:
    picture = np.zeros((20, 30), np.float32)
    inside, outside = np.array([[0, 0]]), np.array([place])
    for at_a, at_b in [(inside, outside), (outside, inside)]:
        with pytest.raises(IndexError, match="leaves its picture"):
            block_products(picture, picture, at_a, at_b, 12)


def test_no_blocks_give_nothing() -> None:
    none = np.empty((0, 2), dtype=np.int64)
    picture = np.zeros((20, 30), np.float32)
    assert block_products(picture, picture, none, none, 12).shape == (0, 3)
