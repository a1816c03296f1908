"""A frame as the comparison of overlaps sees it: unrolled, coarser, only what lies on the metal."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import cv2
import numpy as np

from pipeline.geometry import Panel, ScanGeometry
from pipeline.kernels.resample import blocks_of, unroll_block
from pipeline.kernels.texture import texture_of, without_spikes
from pipeline.model import FloatImage, Frame, StripGrid
from pipeline.stages.distortion import Distortion

REDUCE = 2  # panel pixels a view's pixel, along each side: what tells a shift is coarser still
COARSE = 2  # pixels of a view a pixel of its coarse copy
BLUR_PX = 1.0
BACKGROUND_PX = 8.0


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
    """The panel as its views see it: REDUCE × REDUCE pixels averaged into one."""
    rows, columns = panel.rows // REDUCE, panel.columns // REDUCE
    left_over = (panel.rows % REDUCE, panel.columns % REDUCE)
    return replace(
        panel,
        rows=rows,
        columns=columns,
        pitch_mm=panel.pitch_mm * REDUCE,
        offset_y_mm=panel.offset_y_mm - left_over[1] * panel.pitch_mm / 2,
        offset_z_mm=panel.offset_z_mm - left_over[0] * panel.pitch_mm / 2,
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
    """The frame unrolled about its own centre with the nominal geometry (a rougher copy)."""
    panel = reduced_panel(panel)
    whole = np.asarray(frame.values, dtype=np.float32)
    values = cv2.resize(
        whole[: panel.rows * REDUCE, : panel.columns * REDUCE],
        (panel.columns, panel.rows),
        interpolation=cv2.INTER_AREA,
    )
    values = without_spikes(values)
    placed = distortion.map_frame(geometry, panel, grid, 0.0, 0.0)
    assert placed.first == 0 and placed.columns == grid.columns
    unrolled = np.empty((grid.rows, grid.columns), dtype=np.float32)
    for block in blocks_of(grid.columns):
        unroll_block(values, placed.table[:, block], placed.slope, unrolled[:, block])
    texture, logs = texture_of(unrolled, floor=floor, background_px=BACKGROUND_PX, blur_px=BLUR_PX)
    size = (grid.columns // COARSE, grid.rows // COARSE)
    fine = texture[: size[1] * COARSE, : size[0] * COARSE]
    coarse = cv2.resize(fine, size, interpolation=cv2.INTER_AREA)
    return View(frame.index, grid, texture, coarse, logs)
