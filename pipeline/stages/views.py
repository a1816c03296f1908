"""A frame as the comparison of overlaps sees it: unrolled, coarser, only what lies on the metal."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import cv2
import numpy as np

from pipeline.geometry import Panel, ScanGeometry
from pipeline.kernels.resample import unroll
from pipeline.kernels.spikes import SPIKE, without_spikes
from pipeline.kernels.texture import texture_of
from pipeline.model import FloatImage, Frame, StripGrid
from pipeline.stages.distortion import Distortion

REDUCE = 2  # panel pixels from one of a view to the next: what tells a shift is coarser still
COARSE = 2  # pixels of a view a pixel of its coarse copy
BLUR_PX = 1.0  # of a view's texture in all, standard deviation
BACKGROUND_PX = 13
_HALVING_PX = 0.5  # of that from `cv2.pyrDown`, whose binomial kernel blurs by a panel's pixel


@dataclass(frozen=True, slots=True)
class View:
    """A frame unrolled about its own centre: (row, column) ↔ (z, s) of ``grid``, float32.

    ``texture`` is what lies on the metal, ``coarse`` the same COARSE times smaller, ``logs``
    the natural logarithm of the gray values.
    """

    frame: int
    grid: StripGrid
    texture: FloatImage
    coarse: FloatImage
    logs: FloatImage


def reduced_panel(panel: Panel) -> Panel:
    """The panel as its views see it: a pixel stands on every second one, along and across."""
    rows, columns = -(-panel.rows // REDUCE), -(-panel.columns // REDUCE)
    # The middle of those: half a pixel off the panel's own where their number is even.
    y, z = panel.to_plane(columns - 1, rows - 1)
    return replace(
        panel,
        rows=rows,
        columns=columns,
        pitch_mm=panel.pitch_mm * REDUCE,
        offset_y_mm=float(y),
        offset_z_mm=float(z),
    )


def view_grid(
    geometry: ScanGeometry, panel: Panel, distortion: Distortion, pitch_mm: float
) -> StripGrid:
    """The grid of a frame's own unrolled copy: the rectangle that the panel sees at every column.

    ``panel`` is the real one, ``pitch_mm`` the strip's; the view's is REDUCE times that. Column 0
    is the most negative s; the panel's centre is s = 0.
    """
    panel, pitch_mm = reduced_panel(panel), pitch_mm * REDUCE
    low, high = distortion.reach_mm(geometry, panel)
    half = min(distortion.height_mm(geometry, panel, s) for s in (low, 0.0, high))
    first, last = math.ceil(low / pitch_mm + 1e-6), math.floor(high / pitch_mm - 1e-6)
    rows = 2 * math.floor(half / pitch_mm) + 1
    return StripGrid(
        rows, last - first + 1, pitch_mm, first * pitch_mm, -(rows - 1) / 2 * pitch_mm, False
    )


def make_view(
    frame: Frame,
    geometry: ScanGeometry,
    panel: Panel,
    distortion: Distortion,
    grid: StripGrid,
    *,
    floor: float,
) -> View:
    """The frame unrolled about its own centre with the nominal geometry (a rougher copy).

    Halved by a binomial kernel: a plain mean of 2 × 2 lets detail through that is finer than the
    view's pixels, and such detail moves with their phase instead of the metal.
    """
    panel = reduced_panel(panel)
    values = cv2.pyrDown(_without_hits(np.asarray(frame.values, dtype=np.float32)))
    placed = distortion.map_frame(geometry, panel, grid, 0.0, 0.0)
    assert placed.first == 0 and placed.columns == grid.columns
    unrolled = unroll(values, placed.table, grid.rows)
    rest_px = math.sqrt(BLUR_PX**2 - _HALVING_PX**2)
    texture, logs = texture_of(unrolled, floor=floor, background_px=BACKGROUND_PX, blur_px=rest_px)
    size = (grid.columns // COARSE, grid.rows // COARSE)
    fine = texture[: size[1] * COARSE, : size[0] * COARSE]
    coarse = cv2.resize(fine, size, interpolation=cv2.INTER_AREA)
    return View(frame.index, grid, texture, coarse, logs)


def _without_hits(whole: FloatImage) -> FloatImage:
    """The frame with its hits levelled, 2 × 2 pixels at a time: halved, they would spread."""
    rows, columns = (side // REDUCE for side in whole.shape)
    halves = cv2.resize(
        whole[: rows * REDUCE, : columns * REDUCE],
        (columns, rows),
        interpolation=cv2.INTER_AREA,
    )
    clean = without_spikes(halves)
    at = np.flatnonzero(clean != halves)
    if not len(at):
        return whole
    row, column = np.divmod(at, columns)
    # What was cut was left standing out by its allowance; here nothing is to be left of it.
    above = clean[row, column] < halves[row, column]
    level = clean[row, column] / np.where(above, 1 + SPIKE, 1 - SPIKE).astype(np.float32)
    quiet = whole.copy()
    for down in range(REDUCE):
        for across in range(REDUCE):
            quiet[REDUCE * row + down, REDUCE * column + across] = level
    return quiet
