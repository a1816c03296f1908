"""Invented scans as the adjustment sees them: ties from known places, without any picture."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from pipeline.geometry import Panel, ScanGeometry, pixel_to_surface, surface_to_pixel
from pipeline.stages.adjustment import Priors
from pipeline.stages.matching import Ties

PITCH_MM = 0.1
PANEL = Panel(400, 600, PITCH_MM)
RADIUS_MM = 60.0
GEOMETRY = ScanGeometry(RADIUS_MM, 10.0)
PRIORS = Priors(0.3, 0.01, 1.0, 5.0, np.radians(0.5))


@dataclass(frozen=True)
class TiedScan:
    """What is true, what the encoder said, and what the pictures said."""

    position: np.ndarray
    axial: np.ndarray
    encoder: np.ndarray
    scale: float
    geometry: ScanGeometry
    panel: Panel
    ties: Ties


def tied_scan(
    seed: int,
    *,
    frames: int = 20,
    ring: bool = True,
    tie_sigma_mm: float = 0.02,
    source_mm: tuple[float, float] | None = None,
    roll_rad: float | None = None,
    told: ScanGeometry = GEOMETRY,
    axial_sigma_mm: float = 0.3,
    standoff_mm: float = 0.0,
    lift_off_mm: tuple[float, ...] = (),
    tilts_rad: tuple[float, float] = (0.0, 0.0),
) -> TiedScan:
    """Truth drawn from the priors; neighbours and next neighbours tied by nine points each.

    ``standoff_mm`` is how much more than ``told`` the panel really stands off, ``tilts_rad`` its
    yaw and pitch.
    """
    rng = np.random.default_rng([seed, 77])
    source = rng.normal(0, 2, 2) if source_mm is None else np.array(source_mm)
    roll = float(rng.normal(0, np.radians(0.2))) if roll_rad is None else roll_rad
    geometry = replace(
        told,
        source_x_mm=told.source_x_mm + float(source[0]),
        source_y_mm=told.source_y_mm + float(source[1]),
        standoff_mm=told.standoff_mm + standoff_mm,
        lift_off_mm=lift_off_mm,
    )
    panel = replace(PANEL, roll_rad=roll, yaw_rad=tilts_rad[0], pitch_rad=tilts_rad[1])
    step = told.circumference_mm / frames if ring else 18.0  # 19 mm of 46 that a frame sees
    position = step * np.arange(frames) + np.r_[0.0, rng.normal(0, 0.5, frames - 1)]
    axial = np.r_[0.0, rng.normal(0, axial_sigma_mm, frames - 1)]
    scale = float(1 + rng.normal(0, 0.005))
    # The priors' own words: a step is the encoder's step times the scale, give or take 0.3 mm.
    steps = (np.diff(position) + rng.normal(0, PRIORS.step_sigma_mm, frames - 1)) / scale
    encoder = np.concatenate([[0.0], np.cumsum(steps)])
    pairs = [(a, b) for b in range(frames) for a in (b - 1, b - 2) if a >= 0]
    if ring:
        pairs += [(0, frames - 1), (1, frames - 1), (0, frames - 2)]
    parts = []
    for a, b in pairs:
        forward = position[b] - position[a]
        if ring and forward > told.circumference_mm / 2:
            forward -= told.circumference_mm
        column, row = _overlap(forward)
        s, z = pixel_to_surface(geometry, panel, position[a], axial[a], column, row)
        # Round the ring the same metal has another number.
        s_there = s + position[b] - forward - position[a]
        column_b, row_b = surface_to_pixel(geometry, panel, position[b], axial[b], s_there, z)
        s_a, z_a = pixel_to_surface(told, PANEL, 0.0, 0.0, column, row)
        s_b, z_b = pixel_to_surface(told, PANEL, 0.0, 0.0, column_b, row_b)
        parts.append(_tie(a, b, (s_a, z_a), (s_b, z_b), tie_sigma_mm, rng))
    return TiedScan(position, axial, encoder, scale, geometry, panel, Ties.join(parts))


def _overlap(forward_mm: float) -> tuple[np.ndarray, np.ndarray]:
    """Nine places of frame a that frame b sees too, when b stands ``forward_mm`` further on."""
    half = (PANEL.columns / 2 - 30) * PITCH_MM * RADIUS_MM / (RADIUS_MM + 10)
    low, high = max(-half, forward_mm - half), min(half, forward_mm + half)
    assert high > low
    columns = (PANEL.columns - 1) / 2 + np.linspace(low, high, 3) * (
        RADIUS_MM + 10
    ) / RADIUS_MM / PITCH_MM
    column, row = np.meshgrid(columns, np.linspace(60, PANEL.rows - 61, 3))
    return column.ravel(), row.ravel()


def _tie(
    a: int,
    b: int,
    at_a: tuple[np.ndarray, np.ndarray],
    at_b: tuple[np.ndarray, np.ndarray],
    sigma_mm: float,
    rng: np.random.Generator,
) -> Ties:
    count = len(at_a[0])
    off = rng.normal(0, sigma_mm, (2, count))
    return Ties(
        np.full(count, a),
        np.full(count, b),
        at_a[0],
        at_a[1],
        at_b[0] + off[0],
        at_b[1] + off[1],
        np.broadcast_to(np.eye(2) * sigma_mm**2, (count, 2, 2)).copy(),
        np.zeros(count),
        np.ones(count),
        np.zeros((count, 2, 5)),
        np.zeros((count, 2)),
    )
