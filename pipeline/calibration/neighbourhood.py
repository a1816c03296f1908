"""The median of each pixel's square neighbourhood, fast enough for large panels."""

from __future__ import annotations

from itertools import pairwise
from typing import cast

import numpy as np

from pipeline.model import FloatImage

_BLOCK_PX = 32
_LEVELS = 254


def neighbourhood_median(image: FloatImage, size_px: int, *, span: float) -> FloatImage:
    """The median over ``size_px``² pixels round each pixel, to ``span``/250 of its own value.

    ``image`` is float32 (rows, columns); so is the result, always above 0. ``size_px`` is odd; a
    panel smaller than that is looked at through the largest odd window that fits.

    The image is divided by a smooth background (at least 1 % of the panel's median), and what is
    left, which lies near 1, is filtered in 254 steps over 1 ± ``span``: OpenCV's 8-bit
    median costs the same for any window (Perreault & Hébert 2007). A median further than
    ``span`` from the background is cut off there. So gain roll-off costs no accuracy.

    At the border the window is shifted inwards, not folded or cut: a line of bad pixels along
    the edge then stays as much in the minority as anywhere else.
    """
    import cv2  # noqa: PLC0415  (0.6 s to import, only needed here)

    size_px = min(size_px, *(side - 1 + side % 2 for side in image.shape))
    floor = max(0.01 * float(np.median(image)), float(np.finfo(np.float32).tiny))
    background = np.maximum(smooth_background(image), np.float32(floor))
    scaled = image / background
    scaled -= 1 - span
    scaled *= _LEVELS / (2 * span)
    np.rint(scaled, out=scaled)
    np.clip(scaled, 0, _LEVELS, out=scaled)
    steps = scaled.astype(np.uint8)
    if size_px > 1:
        steps = cast(
            "np.ndarray[tuple[int, int], np.dtype[np.uint8]]", cv2.medianBlur(steps, size_px)
        )
        half = size_px // 2
        inner = steps[half : steps.shape[0] - half, half : steps.shape[1] - half]
        steps = np.pad(inner, half, mode="edge")
    median = steps.astype(np.float32)
    median *= 2 * span / _LEVELS
    median += 1 - span
    median *= background
    return median


def smooth_background(image: FloatImage) -> FloatImage:
    """A smooth picture of ``image``, float32 (rows, columns), from medians of 32×32 blocks.

    A line of up to 15 bad pixels across a block leaves its median valid.
    """
    edges = [
        np.linspace(0, side, max(1, side // _BLOCK_PX) + 1).astype(int) for side in image.shape
    ]
    grid = np.array(
        [
            [np.median(image[top:bottom, left:right]) for left, right in _pairs(edges[1])]
            for top, bottom in _pairs(edges[0])
        ],
        dtype=np.float32,
    )
    rows = _interpolate(grid, edges[0])
    return np.ascontiguousarray(_interpolate(rows.T, edges[1]).T)


def _pairs(edges: np.ndarray) -> list[tuple[int, int]]:
    return [(int(a), int(b)) for a, b in pairwise(edges)]


def _interpolate(grid: FloatImage, edges: np.ndarray) -> FloatImage:
    """Linear interpolation along the first axis from block centres to pixels, on past the ends."""
    if len(grid) == 1:
        return np.repeat(grid, edges[-1], axis=0)
    centres = (edges[:-1] + edges[1:] - 1) / 2
    pixels = np.arange(edges[-1])
    lower = np.clip(np.searchsorted(centres, pixels) - 1, 0, len(centres) - 2)
    fraction = (pixels - centres[lower]) / (centres[lower + 1] - centres[lower])
    fraction = fraction.astype(np.float32)[:, None]
    result: FloatImage = grid[lower] * (1 - fraction) + grid[lower + 1] * fraction
    return result
