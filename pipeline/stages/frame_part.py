"""What a frame brings to the strip: its pixels by columns, and where, how and with what weight."""

from __future__ import annotations

import warnings
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.calibration.product import CalibrationSet
from pipeline.geometry import Panel, ScanGeometry, relative_flux
from pipeline.kernels.resample import (
    BLOCK,
    C0,
    COLUMN_TABLE,
    NOISE_FIXED,
    NOISE_LINEAR,
    NOISE_SQUARE,
    SCALE,
    SLOPE,
    WEIGHT,
    accumulate,
    by_columns,
)
from pipeline.model import FlagImage, FloatArray, FloatImage, Frame, Placement, StripGrid
from pipeline.stages.distortion import Distortion, FrameMap
from pipeline.stages.levels import log_beam_shape
from pipeline.stages.tiles import Tile


@dataclass(frozen=True, slots=True)
class Composition:
    """All that turns a corrected frame into its part of the strip.

    ``flat_geometry`` is how the flats were taken: its beam shape is in the gain map already.
    """

    geometry: ScanGeometry
    flat_geometry: ScanGeometry
    panel: Panel
    distortion: Distortion
    grid: StripGrid
    calibration: CalibrationSet
    usual_level_gv: float


@dataclass(frozen=True, slots=True)
class Span:
    """Columns of a frame's map that fall into one block of the strip, beginning at ``at`` of it."""

    block: int
    columns: slice
    at: int


@dataclass(frozen=True, slots=True)
class FramePart:
    """A frame as `kernels.resample.accumulate` takes it: pixels and flags by columns, the table of
    its strip columns, factor and weight of its rows."""

    values: FloatImage
    flags: FlagImage
    table: NDArray[np.float32]
    row_scale: NDArray[np.float32]
    row_weight: NDArray[np.float32]

    def add(self, span: Span, tile: Tile) -> None:
        """Add the columns of a span to the sums of its block."""
        accumulate(
            self.values,
            self.flags,
            self.table[:, span.columns],
            self.row_scale,
            self.row_weight,
            span.at,
            tile.sums,
            tile.spread,
        )


class FrameParts:
    """Makes the parts of frames that are placed; ``taper_px`` is the width over which a frame's
    weight falls to nothing at the panel's edge."""

    def __init__(self, placement: Placement, composition: Composition, taper_px: int) -> None:
        self._placement, self._composition, self._taper_px = placement, composition, taper_px
        self._maps = [
            composition.distortion.map_frame(
                composition.geometry, composition.panel, composition.grid, position, axial
            )
            for position, axial in zip(placement.position_mm, placement.axial_mm, strict=True)
        ]
        self._gain = _gain_by_column(composition.calibration)
        self._row_weight = self._taper_rows()

    def spans(self, k: int) -> list[Span]:
        """Where the k-th frame's columns lie in the strip's blocks, wrapped round a ring."""
        return _spans(self._maps[k], self._composition.grid)

    def last_use(self) -> dict[int, int]:
        """The last frame (by place in the sequence) that touches each block."""
        return {span.block: k for k in range(len(self._maps)) for span in self.spans(k)}

    def make(self, k: int, frame: Frame) -> FramePart:
        """The part of the k-th frame."""
        return FramePart(
            by_columns(np.asarray(frame.values, dtype=np.float32)),
            by_columns(frame.flags),
            self._column_table(k),
            self._row_scale(k),
            self._row_weight,
        )

    def _taper_rows(self) -> NDArray[np.float32]:
        """Weight along the panel's rows: smooth to nothing over a few pixels at both ends."""
        rows = self._composition.panel.rows
        edge = self._composition.distortion.edge_px + 3
        return _taper(
            np.arange(rows, dtype=np.float64), edge, rows - 1 - edge, min(self._taper_px, rows // 8)
        )

    def _column_table(self, k: int) -> NDArray[np.float32]:
        """Place, scale, weight and noise of every strip column of a frame (kernels.resample)."""
        placement, composition, frame_map = self._placement, self._composition, self._maps[k]
        columns = composition.panel.columns
        c0, slope = frame_map.table[C0], frame_map.table[SLOPE]
        position = np.full(frame_map.columns, placement.position_mm[k])
        shape = log_beam_shape(
            composition.geometry, composition.flat_geometry, position, frame_map.u_mm
        )
        scale = np.exp(-shape) / float(placement.level[k])
        middle = c0 + slope * (composition.panel.rows - 1) / 2
        gain = np.interp(middle, np.arange(columns), self._gain)
        noise = composition.calibration.facts.noise
        # What a strip gray value g costs: raw variance a + b * raw signal, seen through the gain.
        fixed = noise.offset * (scale / gain) ** 2
        linear = noise.slope * scale / gain
        square = np.full_like(scale, noise.gain_relative**2)
        typical = composition.usual_level_gv
        variance = fixed + linear * typical + square * typical**2
        edge = composition.distortion.edge_px + 3
        # The panel column at both ends of the line, so that a rolled panel is never left.
        taper = np.minimum(
            _taper(c0, edge, columns - 1 - edge, self._taper_px),
            _taper(c0 + slope * composition.panel.rows, edge, columns - 1 - edge, self._taper_px),
        )
        table = np.empty((COLUMN_TABLE, frame_map.columns), dtype=np.float32)
        table[: len(frame_map.table)] = frame_map.table
        table[SCALE] = scale
        table[WEIGHT] = taper / variance
        table[NOISE_FIXED], table[NOISE_LINEAR], table[NOISE_SQUARE] = fixed, linear, square
        return table

    def _row_scale(self, k: int) -> NDArray[np.float32]:
        """What takes out a frame's beam shape along the panel's rows, 1 in the middle row.

        The whole shape is a function of column and row; it is taken as a product of one of each.
        For a source 5 mm off its place at 24 inches that is wrong by at most 4e-4, in the panel's
        corners.
        """
        composition, placement = self._composition, self._placement
        panel, geometry, told = composition.panel, composition.geometry, composition.flat_geometry
        theta = placement.position_mm[k] / geometry.radius_mm
        _, v_mm = panel.to_plane((panel.columns - 1) / 2, np.arange(float(panel.rows)))
        actual = geometry.source(theta, float(placement.axial_mm[k]))
        shape = relative_flux(geometry, actual, 0.0, v_mm, geometry.lift_mm(theta))
        shape /= relative_flux(told, told.source(theta), 0.0, v_mm)
        middle = relative_flux(geometry, geometry.source(theta), 0.0, 0.0, geometry.lift_mm(theta))
        middle = middle / relative_flux(told, told.source(theta), 0.0, 0.0)
        return np.asarray(middle / shape, dtype=np.float32)


def _spans(frame_map: FrameMap, grid: StripGrid) -> list[Span]:
    spans = []
    first, end = frame_map.first, frame_map.first + frame_map.columns
    turns = range(first // grid.columns, (end - 1) // grid.columns + 1) if grid.ring else (0,)
    for turn in turns:
        origin = turn * grid.columns
        low, high = max(first - origin, 0), min(end - origin, grid.columns)
        for block in range(low // BLOCK, -(-high // BLOCK)):
            start, stop = max(low, block * BLOCK), min(high, (block + 1) * BLOCK)
            if start < stop:
                shift = origin - first
                columns = slice(start + shift, stop + shift)
                spans.append(Span(block, columns, start - block * BLOCK))
    return spans


def _taper(at: FloatArray, first: float, last: float, width: float) -> NDArray[np.float32]:
    """1 inside, 0 beyond [first, last], a raised cosine of ``width`` between."""
    inside = np.clip(np.minimum(at - first, last - at) / width, 0, 1)
    return (0.5 - 0.5 * np.cos(np.pi * inside)).astype(np.float32)


def _gain_by_column(calibration: CalibrationSet) -> FloatArray:
    """The panel's relative response by column: the median over good pixels of the column."""
    gain = np.where(calibration.classes == 0, calibration.gain, np.nan)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)  # a column may be bad all along
        middle = np.nanmedian(gain[::4], axis=0)
    return np.asarray(np.where(np.isfinite(middle), middle, 1.0), dtype=np.float64)
