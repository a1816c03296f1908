"""Invented metal seen by an invented panel, exactly: a surface as a function, projected by rays.

No noise unless asked for, no code of the simulation: a frame is the surface's brightness at
`pixel_to_surface` of every pixel (which tests/external/test_projection.py checks by traced rays).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from scipy.ndimage import gaussian_filter, map_coordinates, spline_filter

from pipeline.calibration.product import CalibrationFacts, CalibrationSet, NoiseModel
from pipeline.geometry import Panel, ScanGeometry, pixel_to_surface, relative_flux
from pipeline.model import Frame

Surface = Callable[[np.ndarray, np.ndarray], np.ndarray]
"""Brightness (gray values) at (s, z), mm."""


def calibration_of(
    panel: Panel, noise: NoiseModel | None = None, **facts: object
) -> CalibrationSet:
    """A perfect panel: no dark signal, gain 1, no bad pixel."""
    shape = panel.rows, panel.columns
    told = CalibrationFacts("P-1", "", *shape, noise=noise or NoiseModel(16.0, 0.5), **facts)
    return CalibrationSet(
        told,
        np.zeros(shape, np.float32),
        np.ones(shape, np.float32),
        np.zeros(shape, np.uint8),
        "0" * 64,
    )


def waves(circumference_mm: float, *, base_gv: float = 20_000.0, seed: int = 0) -> Surface:
    """A dozen long waves, whole numbers of them round the ring; none shorter than 4 mm."""
    rng = np.random.default_rng(seed)
    turns = rng.integers(1, int(circumference_mm / 4), 12)
    along = rng.uniform(-0.8, 0.8, 12)  # rad/mm
    phase = rng.uniform(0, 2 * np.pi, 12)

    def brightness(s: np.ndarray, z: np.ndarray) -> np.ndarray:
        total = np.zeros(np.broadcast(s, z).shape)
        for n, k, p in zip(turns, along, phase, strict=True):
            total += np.cos(2 * np.pi * n / circumference_mm * s + k * z + p)
        return base_gv * (1 + 0.02 * total)

    return brightness


@dataclass(frozen=True)
class Metal:
    """A strip of random texture round the ring: fine enough to be told apart at every place.

    ``contrast`` is its relative standard deviation; ``blank_mm`` is left without texture.
    """

    circumference_mm: float
    half_height_mm: float = 14.0
    pitch_mm: float = 0.1
    contrast: float = 0.03
    base_gv: float = 20_000.0
    seed: int = 0
    blank_mm: tuple[float, float] = (0.0, 0.0)

    def surface(self) -> Surface:
        rng = np.random.default_rng(self.seed)
        columns = round(self.circumference_mm / self.pitch_mm)
        pitch = self.circumference_mm / columns
        rows = 2 * round(self.half_height_mm / pitch) + 1
        # Smoothed by 2.5 samples: what a cubic spline doesn't follow is far below 1e-3 of it.
        texture = gaussian_filter(
            rng.standard_normal((rows, columns)), 2.5, mode=("reflect", "wrap")
        )
        texture *= self.contrast / texture.std()
        first, end = (round(at / pitch) for at in self.blank_mm)
        texture[:, first:end] = 0
        picture = spline_filter(texture, order=3, mode="grid-wrap")

        def brightness(s: np.ndarray, z: np.ndarray) -> np.ndarray:
            at = np.broadcast_arrays(z / pitch + (rows - 1) / 2, s / pitch)
            shade = map_coordinates(picture, at, order=3, mode="grid-wrap", prefilter=False)
            return self.base_gv * np.exp(shade)

        return brightness


def pixels(panel: Panel) -> tuple[np.ndarray, np.ndarray]:
    """(column, row) of every pixel, ready to broadcast to (rows, columns)."""
    return np.arange(float(panel.columns))[np.newaxis, :], np.arange(float(panel.rows))[
        :, np.newaxis
    ]


def frame_of(
    surface: Surface,
    geometry: ScanGeometry,
    panel: Panel,
    position_mm: float,
    axial_mm: float = 0.0,
    *,
    index: int = 0,
    level: float = 1.0,
    noise: NoiseModel | None = None,
    seed: int = 0,
) -> Frame:
    """What the panel shows at ``position_mm``; corrected, float32, nothing flagged.

    With a source off the panel's middle its beam is in there, beside what the flats took out.
    """
    s, z = pixel_to_surface(geometry, panel, position_mm, axial_mm, *pixels(panel))
    values = level * surface(s, z)
    if geometry.source_x_mm or geometry.source_y_mm or axial_mm:
        u, v = panel.to_plane(*pixels(panel))
        told = replace(geometry, source_x_mm=0.0, source_y_mm=0.0)
        source = geometry.source(position_mm / geometry.radius_mm, axial_mm)
        values *= relative_flux(geometry, source, u, v) / relative_flux(
            told, told.source(0.0), u, v
        )
    if noise is not None:
        rng = np.random.default_rng([seed, index])
        sigma = np.sqrt(noise.offset + noise.slope * values)
        values = values + sigma * rng.standard_normal(values.shape, dtype=np.float32)
    return Frame(index, values.astype(np.float32), np.zeros(values.shape, np.uint8))
