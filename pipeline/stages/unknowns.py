"""What all frames share and the adjustment solves: source, panel, stand-off, lift-off, encoder.

The unknowns of an adjustment of n frames are one vector: n positions, n axial places, then these.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from pipeline.geometry import Panel, ScanGeometry, lift_waves
from pipeline.model import FloatArray

_NO_LIFT_MM = 1e-9  # waves smaller than this are what rounding leaves of none
LIFT_ORDERS = 6  # of the waves round the ring that a lift-off is made of
SOURCE_X, SOURCE_Y, ROLL, YAW, PITCH, SCALE, STANDOFF = range(7)
LIFT = slice(7, 7 + 2 * LIFT_ORDERS)
SHARED = LIFT.stop
NAMES = (
    "source_x_mm",
    "source_y_mm",
    "roll_deg",
    "yaw_deg",
    "pitch_deg",
    "encoder_scale",
    "standoff_mm",
    "lift_off_mm",
)
_UNTOLD = 0.5  # of its prior's sigma: an unknown left more uncertain wasn't told by the frames


@dataclass(frozen=True, slots=True)
class Priors:
    """How well things are known before any picture is compared (standard deviations; 0: held).

    ``lift_sigma_mm`` is of the stand-off at one place about its mean round the ring.
    """

    step_sigma_mm: float
    encoder_scale_sigma: float
    axial_sigma_mm: float
    source_sigma_mm: float
    roll_sigma_rad: float
    standoff_sigma_mm: float = 0.0
    lift_sigma_mm: float = 0.0
    yaw_sigma_rad: float = 0.0
    pitch_sigma_rad: float = 0.0

    def shared_sigmas(self) -> FloatArray:
        """(SHARED,): the standard deviation of each shared unknown.

        Slow waves are larger than quick ones: the k-th is expected at 1/k of the first.
        """
        orders = 1 / np.arange(1.0, LIFT_ORDERS + 1)
        waves = self.lift_sigma_mm * orders / math.sqrt(float(np.sum(orders**2)))
        return np.array(
            [
                self.source_sigma_mm,
                self.source_sigma_mm,
                self.roll_sigma_rad,
                self.yaw_sigma_rad,
                self.pitch_sigma_rad,
                self.encoder_scale_sigma,
                self.standoff_sigma_mm,
                *np.repeat(waves, 2),
            ]
        )


def told(geometry: ScanGeometry, panel: Panel) -> FloatArray:
    """(SHARED,): the shared unknowns as the config has them; a lift-off is never told."""
    values = np.zeros(SHARED)
    values[: LIFT.start] = (
        geometry.source_x_mm,
        geometry.source_y_mm,
        panel.roll_rad,
        panel.yaw_rad,
        panel.pitch_rad,
        1.0,
        geometry.standoff_mm,
    )
    return values


def shaped(geometry: ScanGeometry, panel: Panel, shared: FloatArray) -> tuple[ScanGeometry, Panel]:
    """Geometry and panel with the shared unknowns put in."""
    values = [float(value) for value in shared]
    waves = tuple(values[LIFT])
    return (
        replace(
            geometry,
            source_x_mm=values[SOURCE_X],
            source_y_mm=values[SOURCE_Y],
            standoff_mm=values[STANDOFF],
            lift_off_mm=waves if any(abs(wave) > _NO_LIFT_MM for wave in waves) else (),
        ),
        replace(panel, roll_rad=values[ROLL], yaw_rad=values[YAW], pitch_rad=values[PITCH]),
    )


def names_of(chosen: np.ndarray) -> tuple[str, ...]:
    """The names of the shared unknowns that a mask (SHARED,) chooses; the waves have one."""
    single = [NAMES[k] for k in range(LIFT.start) if chosen[k]]
    return (*single, NAMES[-1]) if chosen[LIFT].any() else tuple(single)


def untold(sigma: FloatArray, prior: FloatArray) -> tuple[str, ...]:
    """Names of the free unknowns that the frames hardly told: they stay where the config has them.

    ``sigma`` and ``prior`` (SHARED,): standard deviations after and before. A lift-off counts as a
    whole, by the variance that is left of it.
    """
    free = prior > 0
    left = free & (sigma > _UNTOLD * prior)
    waves = float(np.sum(sigma[LIFT] ** 2)), float(np.sum(prior[LIFT] ** 2))
    left[LIFT] = waves[1] > 0 and waves[0] > _UNTOLD**2 * waves[1]
    return names_of(left)


def likely_lift_mm(
    shared: FloatArray, covariance: FloatArray, factor: float, priors: Priors
) -> tuple[float, float]:
    """How large a lift-off the ties speak for: the likeliest ``lift_sigma_mm``, and the largest
    that is likely within a standard deviation.

    ``shared`` and ``covariance`` (which is ``factor`` times the inverse of the normal matrix) as
    solved with ``priors``, whose own pull is taken off again. Of
    waves a with the ties' own covariance C and a prior τ² D, the likelihood of τ is that of a under
    N(0, C + τ² D) (type-II maximum likelihood; MacKay 1992); half a unit of its logarithm below the
    highest is one standard deviation.
    """
    pull = 1 / priors.shared_sigmas()[LIFT] ** 2
    solved = np.linalg.inv(covariance[LIFT, LIFT] / factor)
    alone = solved - np.diag(pull)
    strength, turn = np.linalg.eigh((alone + alone.T) / 2)
    kept = strength > 1e-6 * pull.min()  # what the ties say nothing about
    if not kept.any():
        return priors.lift_sigma_mm, priors.lift_sigma_mm
    strength, turn = strength[kept], turn[:, kept]
    # Along these directions the ties alone have the variance factor/strength.
    found = (turn.T @ solved @ shared[LIFT]) / strength
    shape = turn.T @ np.diag(1 / pull) @ turn
    steps = np.concatenate([[0.0], np.geomspace(1e-3, 1.0, 61)])
    logs = np.empty(len(steps))
    for k, step in enumerate(steps):
        variance = np.diag(factor / strength) + step**2 * shape
        _, size = np.linalg.slogdet(variance)
        logs[k] = -0.5 * (size + found @ np.linalg.solve(variance, found))
    best = int(np.argmax(logs))
    largest = int(np.flatnonzero(logs >= logs[best] - 0.5)[-1])
    return float(steps[best] * priors.lift_sigma_mm), float(steps[largest] * priors.lift_sigma_mm)


def standoff_sigma_mm(
    geometry: ScanGeometry, position_mm: FloatArray, covariance: FloatArray
) -> FloatArray:
    """(n,): how uncertain the stand-off is where each frame stood, mean and lift-off together.

    ``covariance`` (SHARED, SHARED).
    """
    waves = lift_waves(position_mm / geometry.radius_mm, LIFT_ORDERS)
    row = np.concatenate([np.ones((len(waves), 1)), waves], axis=1)
    part = covariance[STANDOFF : LIFT.stop, STANDOFF : LIFT.stop]
    variance = np.einsum("ni,ij,nj->n", row, part, row)
    return np.asarray(np.sqrt(np.clip(variance, 0, None)))
