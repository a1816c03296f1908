"""Distortion: the one map from panel pixel to the pipe's outer surface."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Annotated, ClassVar

import numpy as np
from numpy.typing import NDArray
from pydantic import Field

from pipeline.calibration.product import CalibrationKind
from pipeline.geometry import (
    Panel,
    ScanGeometry,
    along_ray,
    pixel_to_surface,
    project,
    share_of_ray,
)
from pipeline.model import FloatArray, StripGrid
from pipeline.stages.base import Shape, parameters

_MARGIN_PX = 3  # what the six-point interpolation needs beyond a pixel


@dataclass(frozen=True, slots=True)
class FrameMap:
    """Where a frame's part of the strip lies on the panel, separably (see kernels.resample).

    Strip column ``first + j`` is seen at panel column ``C0 + SLOPE * row``; strip row i of it at
    panel row ``R0 + i * STEP / (1 + BEND * i)``, each of ``table`` (PLACES, columns), float32.
    ``u_mm`` is the column's place on the plane through the panel's centre.
    """

    first: int
    table: NDArray[np.float32]
    u_mm: FloatArray

    @property
    def columns(self) -> int:
        """How many strip columns the frame reaches over."""
        return len(self.u_mm)


@parameters
class Distortion:
    """Unroll the flat picture of the round pipe; nothing is resampled before blending."""

    name: ClassVar[str] = "distortion"
    shape: ClassVar[Shape] = Shape.CORRECT
    needs: ClassVar[tuple[CalibrationKind, ...]] = ()
    after: ClassVar[tuple[str, ...]] = ("flat_field", "lag", "bad_pixels")

    max_angle_deg: Annotated[float, Field(gt=0, le=60)] = 35.0
    """Parts of the panel that see the surface further than this from its centre are not used."""
    edge_px: Annotated[int, Field(ge=0, le=200)] = 4
    """Width of the panel's border that is never used."""

    def reach_mm(
        self, geometry: ScanGeometry, panel: Panel, position_mm: float = 0.0
    ) -> tuple[float, float]:
        """The part of the surface, in s from the panel's centre, that a frame is used for.

        A source off the axis lets a frame at another ``position_mm`` see another length.
        """
        edge = self.edge_px + _MARGIN_PX
        columns = np.array([edge, panel.columns - 1 - edge], dtype=np.float64)
        with np.errstate(invalid="ignore"):  # a ray that misses the pipe gives NaN
            s, _ = pixel_to_surface(
                geometry, panel, position_mm, 0.0, columns, (panel.rows - 1) / 2
            )
            s = s - position_mm
        limit = math.radians(self.max_angle_deg) * geometry.radius_mm
        low, high = np.where(np.isnan(s), [-limit, limit], s)
        return max(float(low), -limit), min(float(high), limit)

    def height_mm(self, geometry: ScanGeometry, panel: Panel, s_mm: float = 0.0) -> float:
        """Half the length along the pipe that is seen at ``s_mm`` from the panel's centre."""
        edge = self.edge_px + _MARGIN_PX
        source = geometry.source(0.0)
        u, v = project(geometry, source, s_mm / geometry.radius_mm, np.array([0.0, 1.0]))
        half = ((panel.rows - 1) / 2 - edge) * panel.pitch_mm * math.cos(panel.pitch_rad)
        # The end of a tilted panel that lies further out sees less.
        column, _ = panel.to_pixel(u, 0.0)
        beyond = panel.beyond_mm(column, np.array([edge, panel.rows - 1 - edge])).max()
        enlarged = 1 + beyond / (geometry.panel_distance_mm - source[0])
        return half / float((v[1] - v[0]) * enlarged)

    def map_frame(
        self,
        geometry: ScanGeometry,
        panel: Panel,
        grid: StripGrid,
        position_mm: float,
        axial_mm: float,
    ) -> FrameMap:
        """The map of a frame taken at ``position_mm``: strip columns counted without wrapping.

        The rays to a strip column, a line along the pipe, lie in a plane: the panel sees it as a
        line. Row by row the place on that line is a quotient of two linear functions, as always in
        central projection; the denominator varies only where the panel is pitched.
        """
        low, high = self.reach_mm(geometry, panel, position_mm)
        first = math.ceil((position_mm + low - grid.s_first_mm) / grid.pitch_mm)
        last = math.floor((position_mm + high - grid.s_first_mm) / grid.pitch_mm)
        s = grid.s_first_mm + np.arange(first, last + 1) * grid.pitch_mm
        phi = (s - position_mm) / geometry.radius_mm
        theta = position_mm / geometry.radius_mm
        source, lift = geometry.source(theta, axial_mm), geometry.lift_mm(theta)
        z = grid.z_first_mm - axial_mm
        u, v_first = project(geometry, source, phi, z, lift)
        _, v_end = project(geometry, source, phi, z + grid.rows * grid.pitch_mm, lift)
        share_first, share_end = (
            share_of_ray(geometry, panel, source, u, v, lift) for v in (v_first, v_end)
        )
        # The first strip row's place, and that of the one past the last.
        column, row = panel.to_pixel(*along_ray(source, u, v_first, share_first))
        column_end, row_end = panel.to_pixel(*along_ray(source, u, v_end, share_end))
        bend = (share_first / share_end - 1) / grid.rows
        step = (row_end - row) / grid.rows * (1 + bend * grid.rows)
        slope = (column_end - column) / (row_end - row)
        table = np.stack([column - slope * row, row, step, slope, bend]).astype(np.float32)
        return FrameMap(first, table, u)
