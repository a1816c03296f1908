"""A weld laid straight along its centre line and levelled, so that what is odd in it stands out."""

from __future__ import annotations

import math
import warnings
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.model import FloatImage, Origin
from pipeline.quality.asked.known import StripPicture
from pipeline.quality.noise.weld_line import WeldLine

_BIN_MM = 0.1  # side of the squares of pixels that are taken together, if they are smaller
_BESIDE_MM = 1.0  # of metal beside the cap's toes that belongs to the weld
_TOE_MM = 1.5  # of the cap beside its toes that is as uneven as they are
_PAD_MM = 30.0  # of a ring that is looked at again past its datum
WINDOW_MM = 40.0  # along the weld, over whose middle value a row is levelled


@dataclass(frozen=True, slots=True)
class StraightWeld:
    """The weld laid straight, in bins of ``size`` by ``size`` pixels; images (rows, columns).

    ``contrast`` is ln(gray value) less what its row usually is, ``noise`` a strip pixel's predicted
    noise over its gray value; ``between_toes`` is what lies well between the cap's. The strip's row
    that a column of bins begins with is ``first_row`` (columns,), its column ``first_column`` +
    size · column, which on a ring may lie past the ends.
    """

    contrast: FloatImage
    noise: FloatImage
    known: NDArray[np.bool_]
    between_toes: NDArray[np.bool_]
    first_row: NDArray[np.int64]
    first_column: int
    size: int


def straighten(picture: StripPicture, weld: WeldLine) -> StraightWeld | None:
    """The strip's weld; None where it isn't seen, or there is no noise map.

    ``picture`` and ``weld`` are of one strip. A ring is laid out with a little of itself again past
    both ends.
    """
    grid, pitch = picture.grid, picture.grid.pitch_mm
    size = max(1, round(_BIN_MM / pitch))
    pad = round(_PAD_MM / pitch) if grid.ring else 0
    columns = (grid.columns + 2 * pad) // size
    if picture.sigma is None or not weld.seen.any() or columns < 2:
        return None
    at = -pad + size * np.arange(columns)
    s_mm = grid.s_first_mm + (at + (size - 1) / 2) * pitch
    turn_mm = grid.columns * pitch if grid.ring else None
    seen_s, centre = weld.s_mm[weld.seen], weld.z_mm[weld.seen]
    centre_mm = np.interp(s_mm, seen_s, centre, period=turn_mm)
    half_widths = weld.half_width_mm[weld.seen]
    half_mm = float(half_widths.max()) + _BESIDE_MM
    toe_mm = np.interp(s_mm, seen_s, half_widths, period=turn_mm) - _TOE_MM
    rows = math.ceil(2 * half_mm / (size * pitch))
    first_row = np.rint((centre_mm - half_mm - grid.z_first_mm) / pitch).astype(np.int64)
    row = first_row.repeat(size) + np.arange(rows * size)[:, np.newaxis]
    column = -pad + np.arange(columns * size)
    column = column % grid.columns if grid.ring else column
    inside = (row >= 0) & (row < grid.rows)
    place = np.clip(row, 0, grid.rows - 1), column
    gray = picture.values[place].astype(np.float32)
    known = inside & (gray > 0)
    if picture.origin is not None:
        known &= picture.origin[place] == Origin.MEASURED
    known = np.asarray(_binned(known, size).all(axis=(1, 3)))
    mean = np.maximum(_binned(gray, size).mean(axis=(1, 3)), 1)
    sigma = _binned(picture.sigma[place].astype(np.float32), size).mean(axis=(1, 3))
    noise = sigma * np.float32(picture.sigma_scale) / mean
    contrast = _levelled(np.log(mean), known, max(1, round(WINDOW_MM / 4 / (size * pitch))))
    middle_mm = (np.arange(rows) + 0.5) * size * pitch - half_mm
    between_toes = np.abs(middle_mm)[:, np.newaxis] <= toe_mm
    return StraightWeld(
        contrast, np.maximum(noise, 1e-6), known, between_toes, first_row, -pad, size
    )


def _binned(image: NDArray[Any], size: int) -> NDArray[Any]:
    """The image as (rows, size, columns, size)."""
    rows, columns = (length // size for length in image.shape)
    return image.reshape(rows, size, columns, size)


def _levelled(logs: FloatImage, known: NDArray[np.bool_], block: int) -> FloatImage:
    """The logarithms less what their rows and then their columns usually are; 0 where unknown.

    A row's is the median over four blocks and more of columns, drawn straight between the blocks;
    a column's the median over all rows: it holds what lies right across the weld.
    """
    logs = np.where(known, logs, np.nan)
    rows, columns = logs.shape
    blocks = max(1, columns // block)
    edges = np.rint(np.linspace(0, columns, blocks + 1)).astype(np.int64)
    middles = (edges[:-1] + edges[1:] - 1) / 2
    level = np.zeros_like(logs)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)  # rows and columns without a pixel
        usual = np.stack(
            [
                np.nanmedian(logs[:, edges[max(k - 2, 0)] : edges[min(k + 3, blocks)]], axis=1)
                for k in range(blocks)
            ],
            axis=1,
        )
        for row in range(rows):
            good = np.isfinite(usual[row])
            if good.any():
                level[row] = np.interp(np.arange(columns), middles[good], usual[row, good])
        flat = logs - level
        flat -= np.nanmedian(flat, axis=0)
    return np.asarray(np.nan_to_num(flat), dtype=np.float32)
