"""A known surface cut into frames by exact projection, to be put together again."""

from __future__ import annotations

from collections.abc import Iterable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace

import numpy as np

from pipeline.calibration.product import CalibrationSet, NoiseModel
from pipeline.geometry import Panel, ScanGeometry
from pipeline.model import Frame, Placement, Strip, StripGrid
from pipeline.stages.blending import Blending
from pipeline.stages.distortion import Distortion
from pipeline.stages.frame_part import Composition
from tests.stages.invented import Surface, calibration_of, frame_of, waves

PITCH = 0.2
PANEL = Panel(120, 200, PITCH)
NOISE = NoiseModel(16.0, 0.5)


@dataclass(frozen=True)
class Cut:
    """A scan with its truth."""

    geometry: ScanGeometry
    panel: Panel
    grid: StripGrid
    placement: Placement
    frames: tuple[Frame, ...]
    calibration: CalibrationSet
    surface: Surface

    def composition(self) -> Composition:
        return Composition(
            geometry=self.geometry,
            flat_geometry=replace(self.geometry, source_x_mm=0.0, source_y_mm=0.0),
            panel=self.panel,
            distortion=Distortion(),
            grid=self.grid,
            calibration=self.calibration,
            usual_level_gv=20_000.0,
        )

    def truth(self) -> np.ndarray:
        s = self.grid.s_first_mm + np.arange(self.grid.shape[1]) * self.grid.pitch_mm
        z = self.grid.z_first_mm + np.arange(self.grid.rows)[:, np.newaxis] * self.grid.pitch_mm
        return self.surface(s, z)

    def compose(self, blending: Blending | None = None, threads: int = 2) -> tuple[Strip, int, int]:
        with ThreadPoolExecutor(threads) as pool:
            return (blending or Blending()).compose(
                copies(self.frames), self.placement, self.composition(), pool
            )


GEOMETRY = ScanGeometry(40.0, 10.0)
SURFACE = waves(GEOMETRY.circumference_mm)


def copies(frames: Iterable[Frame]) -> Iterable[Frame]:
    return (Frame(f.index, f.values.copy(), f.flags.copy()) for f in frames)


def cut(
    count: int = 12,
    *,
    geometry: ScanGeometry = GEOMETRY,
    panel: Panel = PANEL,
    ring: bool = True,
    overrun: int = 100,
    positions: list[float] | None = None,
    axial_mm: float = 0.0,
    noise: NoiseModel | None = None,
    seed: int = 0,
    surface: Surface | None = None,
    rows: int = 67,  # 6.6 mm up and down; at the seams a frame sees 7.4 mm
) -> Cut:
    metal = surface or SURFACE
    rng = np.random.default_rng(seed)
    once = geometry.circumference_mm
    if ring:
        columns = round(once / PITCH)
        pitch = once / columns
        position = np.arange(count) * once / count + rng.uniform(-1, 1, count)
        grid = StripGrid(rows, columns, pitch, 0.0, -(rows // 2) * pitch, True, overrun)
    else:
        position = -3.0 + 18.0 * np.arange(count)
        low, high = Distortion().reach_mm(geometry, panel)
        first, last = np.ceil((position[0] + low) / PITCH), np.floor((position[-1] + high) / PITCH)
        grid = StripGrid(
            rows, int(last - first) + 1, PITCH, first * PITCH, -(rows // 2) * PITCH, False
        )
    if positions is not None:
        position = np.array(positions)
    axial = axial_mm * rng.uniform(-1, 1, len(position))
    level = np.exp(rng.normal(0, 0.05, len(position)))
    frames = tuple(
        frame_of(metal, geometry, panel, p, a, index=k, level=q, noise=noise, seed=seed)
        for k, (p, a, q) in enumerate(zip(position, axial, level, strict=True))
    )
    placement = Placement(np.arange(len(position)), position, np.zeros(len(position)), axial, level)
    return Cut(geometry, panel, grid, placement, frames, calibration_of(panel, NOISE), metal)


def with_noise(scan: Cut, seed: int, noise: NoiseModel = NOISE) -> tuple[Frame, ...]:
    """The scan's frames, each with new noise."""
    rng = np.random.default_rng([seed, 5])
    return tuple(
        replace(
            f,
            values=rng.normal(f.values, np.sqrt(noise.offset + noise.slope * f.values)).astype(
                np.float32
            ),
        )
        for f in scan.frames
    )


# The place on the panel is good to float32 (6e-5 px of up to 2,300 GV a millimetre, 0.03 GV) and
# to half a gray value of rounding; six points pass waves of 20 px and more to 1e-5 of 1,600 GV.
EXACT_GV = 0.5 + 0.1
