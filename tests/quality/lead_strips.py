"""Strips with lead bars at known places, and nothing else of the program in them.

A bar's darkness in a pixel is the mean over the pixel of a bar blurred by a Gaussian, exactly:
ln(gray value) falls by ``depth`` where the bar covers the pixel whole.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from scipy.special import erf

from pipeline.model import Origin, Strip, StripGrid

PLAIN_GV = 20_000.0


def grid_of(length_mm: float, *, ring: bool = True, s_first_mm: float = 0.0) -> StripGrid:
    """Rows from z = 0 to 9.9 mm, columns of 0.1 mm as nearly as they fit the length."""
    columns = round(length_mm / 0.1)
    return StripGrid(100, columns, length_mm / columns, s_first_mm, 0.0, ring)


def plain_strip(grid: StripGrid, *, seed: int = 1, snr: float = 100.0) -> Strip:
    """Bare metal with slow waves of 5 % along the scan and white noise."""
    rng = np.random.default_rng(seed)
    wave = 1 + 0.05 * np.sin(np.arange(grid.shape[1]) * grid.pitch_mm / 11)
    values = PLAIN_GV * wave * (1 + rng.normal(0, 1 / snr, grid.shape))
    return Strip(
        grid,
        np.rint(values).astype(np.uint16),
        np.ones(grid.shape, np.uint16),
        np.ones(grid.shape, np.uint8),
        np.full(grid.shape, Origin.MEASURED, np.uint8),
        1.0,
    )


def lay_bars(
    strip: Strip,
    s_mm: Sequence[float] | np.ndarray,
    *,
    z_mm: tuple[float, float] = (2.0, 8.0),
    width_mm: float = 0.5,
    depth: float = 1.0,
    blur_mm: float = 0.1,
) -> None:
    """Darken the strip, in place, by bars whose middles lie at ``s_mm``; round a ring they wrap."""
    grid = strip.grid
    edges = grid.s_first_mm + (np.arange(grid.columns + 1) - 0.5) * grid.pitch_mm
    turn = grid.columns * grid.pitch_mm
    shade = np.zeros(grid.columns)
    for middle in s_mm:
        for whole in (-turn, 0.0, turn) if grid.ring else (0.0,):
            shade += np.diff(_area(edges - middle - whole, width_mm, blur_mm)) / grid.pitch_mm
    rows = slice(*(round((z - grid.z_first_mm) / grid.pitch_mm) for z in z_mm))
    dark = strip.values[rows, : grid.columns] * np.exp(-depth * shade)
    strip.values[rows, : grid.columns] = np.rint(dark).astype(np.uint16)


def _area(x: np.ndarray, width: float, blur: float) -> np.ndarray:
    """The integral up to x of a bar of the width about 0, blurred by a Gaussian."""

    def ramp(t: np.ndarray) -> np.ndarray:  # the integral of a blurred step at 0
        u = t / (blur * np.sqrt(2))
        return 0.5 * t * (1 + erf(u)) + blur / np.sqrt(2 * np.pi) * np.exp(-u * u)

    return np.asarray(ramp(x + width / 2) - ramp(x - width / 2))
