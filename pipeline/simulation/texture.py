"""Smooth random curves and fields: cubic B-splines over random numbers at regular knots.

A spline is known exactly at every point, so it can be looked up at any sampling and holds no
detail finer than its knots.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from pipeline.model import FloatArray, FloatImage

Real = TypeVar("Real", np.float32, np.float64)

# Mean square of a cubic B-spline's weights over all phases: the integral of B(x)² is 151/315.
SPLINE_POWER = 151 / 315


def spline_weights(phase: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Weights of the four knots around a point that lies ``phase`` in [0, 1) past the second."""
    p, q = phase, 1 - phase
    return (
        q**3 / 6,
        (3 * p**3 - 6 * p**2 + 4) / 6,
        (3 * q**3 - 6 * q**2 + 4) / 6,
        p**3 / 6,
    )


def ring_spline(values: NDArray[Real], turn: FloatArray) -> NDArray[Real]:
    """The periodic spline over knots ``values`` (…, knots), looked up at ``turn`` (in turns).

    Returns (…, turn.size). The spline passes near its knots, not through them.
    """
    knots = values.shape[-1]
    place = turn * knots
    first = np.floor(place).astype(np.int64)
    weights = spline_weights(place - first)
    looked_up = np.zeros((*values.shape[:-1], turn.size), dtype=values.dtype)
    for k in range(4):
        column = (first + (k - 1)) % knots
        looked_up += values[..., column] * weights[k].astype(values.dtype)
    return looked_up


def ring_curve(rng: np.random.Generator, turn: FloatArray, *, knots: int) -> FloatArray:
    """A smooth random curve round the ring, mean 0 and standard deviation 1 over many rings."""
    return ring_spline(rng.standard_normal(knots) / np.sqrt(SPLINE_POWER), turn)


@dataclass(frozen=True, slots=True)
class RingField:
    """A smooth random field over (z, s), periodic in s, standard deviation 1.

    ``lines`` (knots along z, columns) is already looked up along s; `row` looks it up along z.
    """

    lines: FloatImage
    z_first_mm: float
    knot_mm: float

    def row(self, z_mm: float) -> NDArray[np.float32]:
        """The field's values along the ring at ``z_mm``, float32."""
        place = (z_mm - self.z_first_mm) / self.knot_mm
        first = int(np.floor(place))
        weights = np.concatenate(spline_weights(np.array([place - first]))).astype(np.float32)
        return np.asarray(weights @ self.lines[first : first + 4])


def ring_field(
    rng: np.random.Generator,
    turn: FloatArray,
    *,
    circumference_mm: float,
    half_height_mm: float,
    knot_mm: float,
) -> RingField:
    """Draw a field for |z| ≤ half_height_mm with a correlation length of about 1.5 knots."""
    rows = int(np.ceil(2 * half_height_mm / knot_mm)) + 4
    columns = max(4, round(circumference_mm / knot_mm))
    values = rng.standard_normal((rows, columns), dtype=np.float32) / np.float32(SPLINE_POWER)
    return RingField(ring_spline(values, turn), -half_height_mm, knot_mm)
