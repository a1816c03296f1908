"""Where the carriage really stood, what its encoder said, and how bright the tube was."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.simulation.texture import spline_weights


@dataclass(frozen=True, slots=True)
class CarriagePlan:
    """How a scan is run, and what goes wrong with it. Lengths in mm along the outer surface.

    The carriage stops where its encoder reads the next multiple of ``step_mm``; the encoder's
    scale is wrong by ``scale_error`` and its wheel slips ``slips`` times, by up to ``slip_mm``.
    """

    stops: int
    step_mm: float
    ramp_kv: tuple[float, ...] = ()  # tube voltage over the set one, in frames before the first
    slips: int = 0
    slip_mm: float = 0.0
    jitter_mm: float = 0.0  # true place, beside what the encoder says; standard deviation
    scale_error: float = 0.0
    axial_mm: float = 0.0  # wander along the pipe, standard deviation
    drift: float = 0.02  # of the tube's output over the scan, largest
    flicker: float = 0.004  # from frame to frame, standard deviation


@dataclass(frozen=True, slots=True)
class Stop:
    """One frame's truth. ``level`` is the tube's output apart from what its voltage does."""

    encoder_mm: float
    position_mm: float
    axial_mm: float
    level: float
    kv_share: float = 1.0

    @property
    def ramping(self) -> bool:
        """Whether the tube hadn't reached its voltage."""
        return self.kv_share != 1.0


def run_carriage(plan: CarriagePlan, rng: np.random.Generator) -> tuple[Stop, ...]:
    """Every frame of a scan, ramp-up first (at the first stop), then one a stop.

    The first stop is the datum: there encoder, position and axial wander are zero.
    """
    count = plan.stops
    encoder = plan.step_mm * np.arange(count)
    if count > 1:
        encoder[1:] += rng.uniform(-0.01, 0.01, count - 1) * plan.step_mm
    slip = np.zeros(count)
    where = rng.choice(np.arange(1, count), size=min(plan.slips, count - 1), replace=False)
    size = rng.uniform(0.4, 1.0, where.size) * plan.slip_mm
    slip[where] = size * rng.choice([-1.0, 1.0], where.size)
    jitter = plan.jitter_mm * rng.standard_normal(count)
    jitter[0] = 0.0
    position = encoder / (1 + plan.scale_error) - np.cumsum(slip) + jitter
    axial = plan.axial_mm * _wander(count, rng) + 0.1 * plan.axial_mm * rng.standard_normal(count)
    axial -= axial[0]
    level = 1 + plan.drift * _wander(count, rng) / 3 + plan.flicker * rng.standard_normal(count)
    places = [
        Stop(float(e), float(p), float(a), float(i))
        for e, p, a, i in zip(encoder, position, axial, level, strict=True)
    ]
    first = places[0]
    ramp = [
        Stop(first.encoder_mm, first.position_mm, first.axial_mm, first.level, share)
        for share in plan.ramp_kv
    ]
    return (*ramp, *places)


def _wander(count: int, rng: np.random.Generator) -> np.ndarray:
    """A slow random curve over the scan with a standard deviation of about 1."""
    knots = rng.standard_normal(9) / 0.69
    place = np.linspace(0, 5.999, count)
    first = np.floor(place).astype(np.int64)
    weights = spline_weights(place - first)
    return np.asarray(sum(weights[k] * knots[first + k] for k in range(4)))
