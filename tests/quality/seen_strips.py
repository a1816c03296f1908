"""Strips with a cap, noise as predicted, and things of known outline on them."""

from __future__ import annotations

import numpy as np

from pipeline.model import Origin, StripGrid
from pipeline.quality.asked.known import StripPicture
from pipeline.quality.noise.weld_line import WeldLine
from pipeline.quality.noted.strip_places import StripPlaces

PITCH_MM = 0.1
BASE_GV = 20_000.0
NOISE = 0.004  # of the gray value, independent from pixel to pixel
SCALE = 0.25  # gray values a step of the noise map
CAP_HALF_MM = 5.0
CAP_DARK = 0.15  # of ln(gray value) in the cap's middle
WAVE_MM = 40.0  # length over which the cap's height varies, unless told otherwise by a tenth


def grid_of(length_mm: float = 300.0, *, ring: bool = True, overrun: int = 0) -> StripGrid:
    """20 mm of strip, the weld in the middle at z = 0.5 mm."""
    return StripGrid(200, round(length_mm / PITCH_MM), PITCH_MM, 0.0, -9.5, ring, overrun)


class Weld:
    """A weld that things are laid on before it is seen."""

    def __init__(self, grid: StripGrid, centre_mm: float = 0.5, wave: float = 0.1) -> None:
        self.grid, self.centre_mm = grid, centre_mm
        self.s = grid.s_first_mm + np.arange(grid.columns) * PITCH_MM
        self.z = grid.z_first_mm + np.arange(grid.rows)[:, None] * PITCH_MM
        across = np.clip(1 - ((self.z - centre_mm) / CAP_HALF_MM) ** 2, 0, None)
        height = 1 + wave * np.sin(2 * np.pi * self.s / WAVE_MM)
        self.logs = np.log(BASE_GV) - CAP_DARK * across * height

    def add(self, covered: np.ndarray, contrast: float) -> None:
        """Where ``covered`` (0 … 1 of each pixel) is, gray values are larger by the contrast."""
        self.logs = self.logs + np.log1p(contrast) * covered

    def box(self, s: tuple[float, float], z: tuple[float, float], contrast: float) -> None:
        """A box with edges in pixels' middles or between them; s may lie past a ring's end."""
        turn = self.grid.columns * PITCH_MM
        along = np.zeros(self.s.size)
        for k in (-1, 0, 1) if self.grid.ring else (0,):
            along += _covered(self.s + k * turn, s)
        self.add(_covered(self.z, z) * along, contrast)

    def disc(self, s: float, z: float, diameter: float, contrast: float) -> None:
        """A round spot."""
        self.stadium((s, z), (s, z), diameter, contrast)

    def stadium(
        self, one: tuple[float, float], other: tuple[float, float], width: float, contrast: float
    ) -> None:
        """A straight line with round ends about two points (s, z)."""
        ds, dz = other[0] - one[0], other[1] - one[1]
        along = ((self.s - one[0]) * ds + (self.z - one[1]) * dz) / max(ds**2 + dz**2, 1e-12)
        part = np.clip(along, 0, 1)
        away = np.hypot(self.s - one[0] - part * ds, self.z - one[1] - part * dz)
        self.add(np.clip((width / 2 - away) / PITCH_MM + 0.5, 0, 1), contrast)

    def picture(self, seed: int = 1, noise: float = NOISE) -> StripPicture:
        """As a strip with its maps, noise included, a ring with its overrun."""
        rng = np.random.default_rng(seed)
        values = np.exp(self.logs) * (1 + noise * rng.standard_normal(self.logs.shape))
        values = np.pad(values, ((0, 0), (0, self.grid.overrun)), mode="wrap")
        return StripPicture(
            np.rint(values).astype(np.uint16),
            self.grid,
            np.rint(noise * values / SCALE).astype(np.uint16),
            origin=np.full(values.shape, Origin.MEASURED, np.uint8),
            sigma_scale=SCALE,
        )

    def line(self) -> WeldLine:
        """Its centre line, as if found."""
        s = np.arange(5.0, self.s[-1], 10.0)
        return WeldLine(
            s,
            np.full(s.size, self.centre_mm),
            np.full(s.size, 0.02),
            np.full(s.size, CAP_HALF_MM),
            np.full(s.size, 0.05),
            np.full(s.size, True),
        )

    def places(self, **told) -> StripPlaces:
        """Its ruler, which is exact but for the pixels unless told otherwise."""
        turn = self.grid.columns * PITCH_MM if self.grid.ring else 1000.0
        return StripPlaces(PITCH_MM, turn, self.grid.ring, told.pop("clockwise", True), **told)


def _covered(at: np.ndarray, ends: tuple[float, float]) -> np.ndarray:
    half = PITCH_MM / 2
    overlap = np.minimum(at + half, ends[1]) - np.maximum(at - half, ends[0])
    return np.clip(overlap / PITCH_MM, 0, 1)
