"""Blending: all frames into one strip, weighted by noise, each raw pixel resampled once."""

from __future__ import annotations

import warnings
from collections.abc import Iterable
from concurrent.futures import Executor
from dataclasses import dataclass
from typing import Annotated, ClassVar

import numpy as np
from numpy.typing import NDArray
from pydantic import Field

from pipeline.calibration.product import CalibrationKind, CalibrationSet
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
    accumulate_block,
)
from pipeline.model import FloatArray, Frame, Placement, Strip, StripGrid
from pipeline.stages.base import Shape, parameters
from pipeline.stages.distortion import Distortion, FrameMap
from pipeline.stages.levels import log_beam_shape
from pipeline.stages.tiles import GrowingStrip


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


@parameters
class Blending:
    """Average the frames that saw a pixel, by predicted noise and a smooth edge taper."""

    name: ClassVar[str] = "blending"
    shape: ClassVar[Shape] = Shape.COMPOSE
    needs: ClassVar[tuple[CalibrationKind, ...]] = (CalibrationKind.NOISE,)
    after: ClassVar[tuple[str, ...]] = ("registration",)

    taper_px: Annotated[int, Field(ge=1, le=512)] = 64
    """Width over which a frame's weight falls to nothing at the panel's edge."""
    fill_radius_px: Annotated[int, Field(ge=0, le=10)] = 3
    """How far a strip pixel that no frame measured may be filled from its neighbours."""

    def compose(
        self,
        frames: Iterable[Frame],
        placement: Placement,
        composition: Composition,
        pool: Executor,
    ) -> tuple[Strip, int, int]:
        """The strip, how many pixels were filled, and how many were too bright for 16 bits.

        ``frames`` come corrected, in the placement's order. The result doesn't depend on the
        number of threads: a block is summed by one thread, in the order of the frames.
        """
        growing = GrowingStrip(composition.grid)
        maps = [
            composition.distortion.map_frame(
                composition.geometry, composition.panel, composition.grid, position, axial
            )
            for position, axial in zip(placement.position_mm, placement.axial_mm, strict=True)
        ]
        last_use = _last_use(maps, composition.grid)
        edges = self._taper_rows(composition)
        profile = _gain_by_column(composition.calibration)
        for k, frame in enumerate(frames):
            columns = self._column_table(maps[k], placement, k, composition, profile)
            rows_scale = _row_scale(placement, k, composition)
            values = np.asarray(frame.values, dtype=np.float32)
            added = [
                pool.submit(
                    accumulate_block,
                    values,
                    frame.flags,
                    _in_block(columns, span),
                    rows_scale,
                    edges,
                    tile.sums,
                    tile.spread,
                )
                for span in _spans(maps[k], composition.grid)
                for tile in (growing.tile(span.block),)
            ]
            for block in added:
                block.result()
            growing.finish({b for b in growing.open_blocks if last_use[b] <= k}, pool)
        strip, filled = growing.strip(pool, fill_radius_px=self.fill_radius_px)
        return strip, filled, growing.clipped

    def _taper_rows(self, composition: Composition) -> NDArray[np.float32]:
        """Weight along the panel's rows: smooth to nothing over a few pixels at both ends."""
        rows = composition.panel.rows
        edge = composition.distortion.edge_px + 3
        return _taper(
            np.arange(rows, dtype=np.float64), edge, rows - 1 - edge, min(self.taper_px, rows // 8)
        )

    def _column_table(
        self,
        frame_map: FrameMap,
        placement: Placement,
        k: int,
        composition: Composition,
        profile: FloatArray,
    ) -> NDArray[np.float32]:
        """Place, scale, weight and noise of every strip column of a frame (kernels.resample)."""
        columns = composition.panel.columns
        c0, slope = frame_map.table[C0], frame_map.table[SLOPE]
        position = np.full(frame_map.columns, placement.position_mm[k])
        shape = log_beam_shape(
            composition.geometry, composition.flat_geometry, position, frame_map.u_mm
        )
        scale = np.exp(-shape) / float(placement.level[k])
        middle = c0 + slope * (composition.panel.rows - 1) / 2
        gain = np.interp(middle, np.arange(columns), profile)
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
            _taper(c0, edge, columns - 1 - edge, self.taper_px),
            _taper(c0 + slope * composition.panel.rows, edge, columns - 1 - edge, self.taper_px),
        )
        table = np.empty((COLUMN_TABLE, frame_map.columns), dtype=np.float32)
        table[: len(frame_map.table)] = frame_map.table
        table[SCALE] = scale
        table[WEIGHT] = taper / variance
        table[NOISE_FIXED], table[NOISE_LINEAR], table[NOISE_SQUARE] = fixed, linear, square
        return table


def _row_scale(placement: Placement, k: int, composition: Composition) -> NDArray[np.float32]:
    """What takes out a frame's beam shape along the panel's rows, 1 in the middle row.

    The whole shape is a function of column and row; it is taken as a product of one of each. For a
    source 5 mm off its place at 24 inches that is wrong by at most 4e-4, in the panel's corners.
    """
    panel, geometry, told = composition.panel, composition.geometry, composition.flat_geometry
    theta = placement.position_mm[k] / geometry.radius_mm
    _, v_mm = panel.to_plane((panel.columns - 1) / 2, np.arange(float(panel.rows)))
    actual = geometry.source(theta, float(placement.axial_mm[k]))
    shape = relative_flux(geometry, actual, 0.0, v_mm, geometry.lift_mm(theta))
    shape /= relative_flux(told, told.source(theta), 0.0, v_mm)
    middle = relative_flux(geometry, geometry.source(theta), 0.0, 0.0, geometry.lift_mm(theta))
    middle = middle / relative_flux(told, told.source(theta), 0.0, 0.0)
    return np.asarray(middle / shape, dtype=np.float32)


@dataclass(frozen=True, slots=True)
class _Span:
    """Columns of a frame's map that fall into one block of the strip, beginning at ``at`` of it."""

    block: int
    columns: slice
    at: int


def _in_block(table: NDArray[np.float32], span: _Span) -> NDArray[np.float32]:
    """The block's whole column table; columns that the frame doesn't reach weigh nothing."""
    part = table[:, span.columns]
    end = span.at + part.shape[1]
    whole = np.empty((COLUMN_TABLE, BLOCK), dtype=np.float32)
    whole[:, : span.at], whole[:, span.at : end], whole[:, end:] = part[:, :1], part, part[:, -1:]
    whole[WEIGHT, : span.at] = whole[WEIGHT, end:] = 0
    return whole


def _spans(frame_map: FrameMap, grid: StripGrid) -> list[_Span]:
    """Where the frame's columns lie in the strip's blocks, wrapped round a ring."""
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
                spans.append(_Span(block, columns, start - block * BLOCK))
    return spans


def _last_use(maps: list[FrameMap], grid: StripGrid) -> dict[int, int]:
    """The last frame (by place in the sequence) that touches each block."""
    return {span.block: k for k, placed in enumerate(maps) for span in _spans(placed, grid)}


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
