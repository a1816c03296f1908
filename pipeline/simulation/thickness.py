"""The map that an invented weld is: steel thickness over the pipe's outer surface."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.model import FloatArray, FloatImage

MAP_PITCH_MM = 0.05


@dataclass(frozen=True, slots=True)
class ThicknessMap:
    """``values`` (rows along z, columns along s), mm of steel along the radius, float32.

    Column j is s = j·pitch_s_mm and the columns go round the ring exactly once; row i is
    z = z_first_mm + i·pitch_z_mm. The one array of a scan that is filled in place.
    """

    values: FloatImage
    pitch_s_mm: float
    pitch_z_mm: float
    z_first_mm: float

    def s_mm(self) -> FloatArray:
        """Where each column lies along the ring, mm."""
        return np.arange(self.values.shape[1], dtype=np.float64) * self.pitch_s_mm

    def z_mm(self) -> FloatArray:
        """Where each row lies along the pipe, mm."""
        rows = np.arange(self.values.shape[0], dtype=np.float64)
        return self.z_first_mm + rows * self.pitch_z_mm


def empty_map(
    circumference_mm: float, half_height_mm: float, pitch_mm: float = MAP_PITCH_MM
) -> ThicknessMap:
    """A map of zero thickness for |z| ≤ half_height_mm, about ``pitch_mm`` a pixel."""
    columns = round(circumference_mm / pitch_mm)
    half_rows = int(np.ceil(half_height_mm / pitch_mm))
    return ThicknessMap(
        np.zeros((2 * half_rows + 1, columns), dtype=np.float32),
        circumference_mm / columns,
        pitch_mm,
        -half_rows * pitch_mm,
    )
