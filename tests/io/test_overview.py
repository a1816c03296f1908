"""Halving an image: the plain mean of 2 × 2, whatever the size."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.io.overview import halve


@pytest.mark.parametrize("rows", [1, 2, 3, 127, 128, 129, 260])
@pytest.mark.parametrize("columns", [1, 2, 5, 8])
def test_against_a_readable_twin(rows: int, columns: int) -> None:
    image = np.random.default_rng(rows).integers(0, 65536, (rows, columns), dtype=np.uint16)
    half = halve(image)
    assert half.shape == ((rows + 1) // 2, (columns + 1) // 2)
    for i in range(half.shape[0]):
        for j in range(half.shape[1]):
            mean = image[2 * i : 2 * i + 2, 2 * j : 2 * j + 2].astype(float).mean()
            assert half[i, j] == np.floor(mean + 0.5)


def test_full_scale_does_not_overflow() -> None:
    assert (halve(np.full((4, 4), 65535, np.uint16)) == 65535).all()
