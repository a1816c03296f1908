"""Windows of one shape together, so that they are measured at once."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.quality.noise.windows import Window

Cut = Callable[[NDArray[Any]], NDArray[Any]]
"""Cuts windows of one shape out of an image: (windows, rows, columns)."""


def shape_of(window: Window) -> tuple[int, int]:
    """Its rows and columns."""
    return window.rows[1] - window.rows[0], window.columns[1] - window.columns[0]


def same_shape(windows: Sequence[Window]) -> list[tuple[list[Window], Cut]]:
    """The windows by their shape, each with what cuts them out of an image as (windows, rows,
    columns)."""
    shapes: dict[tuple[int, int], list[Window]] = {}
    for window in windows:
        shapes.setdefault(shape_of(window), []).append(window)

    def cut(some: Sequence[Window]) -> Cut:
        return lambda image: np.stack([image[window.pixels] for window in some])

    return [(some, cut(some)) for some in shapes.values()]
