"""Pictures of a dot plate with noise, and where its dots truly are."""

from __future__ import annotations

from typing import Any

import numpy as np

from pipeline.simulation.gauge_plates import DotPlate

SHAPE = (320, 400)
PITCH_MM = 0.1
PLATE = DotPlate(spacing_mm=3.0, dot_mm=1.0, corner_bend_px=0.0)


def shot(
    plate: DotPlate = PLATE,
    *,
    shape: tuple[int, int] = SHAPE,
    snr: float = 150.0,
    blur_px: float = 0.6,
    seed: int = 1,
) -> np.ndarray:
    """The plate in a beam that is 20 % brighter at the right; ``snr`` is a bare pixel's."""
    picture = plate.dose(shape, PITCH_MM, blur_px).astype(np.float64)
    picture *= 20000 * np.linspace(0.9, 1.1, shape[1])
    noise = np.random.default_rng(seed).standard_normal(shape)
    return (picture + noise * np.sqrt(20000 * picture) / snr).astype(np.float32)


def errors(found: Any, plate: DotPlate = PLATE, shape: tuple[int, int] = SHAPE) -> np.ndarray:
    """(column, row) by which each dot that was found misses the nearest true one, px."""
    truth = plate.dots(shape, PITCH_MM)[:, 2:]
    seen = np.column_stack([found.columns, found.rows])
    apart = np.linalg.norm(seen[:, None] - truth[None], axis=2)
    return seen - truth[apart.argmin(axis=1)]
