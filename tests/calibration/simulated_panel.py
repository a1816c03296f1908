"""An invented panel with known truth, written without the package's own code.

A raw value is ``dark + response·level + noise``, rounded and cut to 16 bits. Noise is Gaussian
with the variance ``read² + slope·signal`` (from 500 quanta on, Poisson noise can't be told from
it here). Frame ``i`` of an exposure always comes out the same.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np

from pipeline.calibration.product import DarkConditions

BRIGHT_GV = 20_000.0
SLOPE_GV = 0.9  # SNR 150 at BRIGHT_GV
READ_GV = 4.0


@dataclass
class SimulatedPanel:
    """Truth as arrays; change them to make pixels bad.

    ``bend``: relative deviation of response at ``BRIGHT_GV`` against that at no signal.
    ``drift``: relative change of response between first and second half of an exposure.
    """

    rows: int = 192
    columns: int = 256
    seed: int = 1
    pixel_gain_std: float = 0.02
    dark: np.ndarray = field(init=False)
    response: np.ndarray = field(init=False)
    read_std: np.ndarray = field(init=False)
    bend: np.ndarray = field(init=False)
    drift: np.ndarray = field(init=False)
    stuck_gv: np.ndarray = field(init=False)

    def __post_init__(self) -> None:
        rng = np.random.default_rng(self.seed)
        shape = self.rows, self.columns
        y, x = np.mgrid[-1 : 1 : self.rows * 1j, -1 : 1 : self.columns * 1j]
        roll_off = (1 + 0.35 * x**2 + 0.25 * y**2) ** -1.5  # 0.49 in the corners
        self.dark = (300 + 20 * x + rng.normal(0, 6, shape)).astype(np.float32)
        self.response = (roll_off * rng.normal(1, self.pixel_gain_std, shape)).astype(np.float32)
        self.response /= np.median(self.response)
        self.read_std = np.full(shape, READ_GV, np.float32)
        self.bend = np.zeros(shape, np.float32)
        self.drift = np.zeros(shape, np.float32)
        self.stuck_gv = np.full(shape, -1.0, np.float32)

    def choose(self, *numbers: int) -> list[tuple[np.ndarray, np.ndarray]]:
        """For each number so many (rows, columns) of pixels, none next to another."""
        cells = np.stack(np.mgrid[1 : self.rows : 3, 1 : self.columns : 3], axis=-1).reshape(-1, 2)
        cells = np.random.default_rng(self.seed).permutation(cells)
        parts = np.split(cells[: sum(numbers)], np.cumsum(numbers)[:-1])
        return [(part[:, 0], part[:, 1]) for part in parts]

    def darks(self, frames: int, **options: Any) -> SimulatedExposures:
        return SimulatedExposures(self, frames, None, 0.0, 1000, **options)

    def flats(
        self, frames: int, level_gv: float = BRIGHT_GV, dose: float | None = None, **options: Any
    ) -> SimulatedExposures:
        return SimulatedExposures(self, frames, dose, level_gv, int(level_gv) + 2000, **options)


@dataclass
class SimulatedExposures:
    panel: SimulatedPanel
    frames: int
    dose: float | None
    level_gv: float
    seed: int
    tube_std: float = 0.01
    spikes: dict[int, list[tuple[int, int, float]]] = field(default_factory=dict)
    reads: int = 0
    source_distance_mm: float | None = None
    conditions: DarkConditions = field(default_factory=DarkConditions)

    def name(self, index: int) -> str:
        return f"{'dark' if self.level_gv == 0 else 'flat'} {index}"

    def read(self, index: int, out: np.ndarray) -> None:
        panel = self.panel
        self.reads += 1
        rng = np.random.default_rng([panel.seed, self.seed, index])
        tube = 1 + self.tube_std * rng.standard_normal()
        signal = panel.response * np.float32(self.level_gv * tube)
        signal *= 1 + panel.bend * np.float32(self.level_gv / BRIGHT_GV)
        signal *= 1 + panel.drift * np.float32(index >= self.frames // 2)
        noise = rng.standard_normal(signal.shape, dtype=np.float32)
        noise *= np.sqrt(panel.read_std**2 + SLOPE_GV * np.maximum(signal, 0))
        raw = panel.dark + signal + noise
        raw = np.where(panel.stuck_gv >= 0, panel.stuck_gv, raw)
        for row, column, spike_gv in self.spikes.get(index, []):
            raw[row, column] += spike_gv
        out[:] = np.clip(np.rint(raw), 0, 65535)
