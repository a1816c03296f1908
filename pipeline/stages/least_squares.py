"""The least squares of an adjustment: ties, encoder and priors to one vector of unknowns.

The unknowns are [positions (n), axial (n), what all frames share (SHARED)], see ``unknowns``.
Solved by Gauss-Newton on the exact projection, ties re-weighted so that wrong ones lose their say
(Cauchy weights, as in Holland and Welsch 1977).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.geometry import Panel, ScanGeometry, lift_waves, pixel_to_surface, surface_to_pixel
from pipeline.model import FloatArray
from pipeline.stages.matching import Ties
from pipeline.stages.prior import HELD_SIGMA, Equations, prior_equations
from pipeline.stages.unknowns import (
    LIFT,
    LIFT_ORDERS,
    PITCH,
    ROLL,
    SCALE,
    SHARED,
    SOURCE_X,
    SOURCE_Y,
    STANDOFF,
    YAW,
    Priors,
    shaped,
    told,
)

_FLOOR_PX = 0.02  # what the projection model itself may leave, at strip pitch, before it is known
_FLOORS_PX = np.geomspace(0.004, 0.4, 41)  # what it is looked for among
_LEAST_TIES = 60  # to tell it from
_CAUCHY = 2.5
_SETTLED_MM = 1e-4
_SLOPES_HOLD_MM = 0.5  # moved by more, the slopes change by more than a part in 500
_REJECT = 6.0  # Mahalanobis distance beyond which a tie is called wrong
_RETURN = 0.8  # part of that below which it is taken back: else one at the bound never settles
# Shared unknowns that get a difference quotient of their own.
_SINGLE = (SOURCE_X, SOURCE_Y, ROLL, YAW, PITCH)
_STEPS = {SOURCE_X: 1e-3, SOURCE_Y: 1e-3, ROLL: 1e-6, YAW: 1e-6, PITCH: 1e-6, STANDOFF: 1e-3}


@dataclass(frozen=True, slots=True)
class Solution:
    """Unknowns with their covariance; the ties' Mahalanobis distances and which were called wrong;
    ``factor``: how much larger the ties' variances prove than they were told."""

    unknowns: FloatArray
    covariance: FloatArray
    distance: FloatArray
    rejected: np.ndarray
    factor: float
    converged: bool


class Problem:
    """The unknowns are [positions (n), axial (n), what all frames share (SHARED)]."""

    def __init__(
        self,
        ties: Ties,
        encoder_mm: FloatArray,
        geometry: ScanGeometry,
        panel: Panel,
        priors: Priors,
        ring: bool,
        pitch_mm: float,
    ) -> None:
        self.ties, self.encoder, self.priors = ties, encoder_mm, priors
        self.geometry, self.panel, self.ring = geometry, panel, ring
        self.n = len(encoder_mm)
        self.size = 2 * self.n + SHARED
        nominal = (geometry, panel, 0.0, 0.0)
        self.column_a, self.row_a = surface_to_pixel(*nominal, ties.s_a, ties.z_a)
        self.column_b, self.row_b = surface_to_pixel(*nominal, ties.s_b, ties.z_b)
        self.pitch_mm = pitch_mm
        self.set_floor(_FLOOR_PX)
        self.sigmas = priors.shared_sigmas()
        self.nominal = told(geometry, panel)
        self.prior = self.prior_equations(self.sigmas)
        # Which unknowns a tie's own part of the Jacobian belongs to.
        n = self.n
        self.places = np.stack([ties.b, n + ties.b, ties.a, n + ties.a], axis=1)

    def with_ties(self, ties: Ties) -> Problem:
        """The same problem with other ties."""
        told = self.encoder, self.geometry, self.panel, self.priors, self.ring, self.pitch_mm
        return Problem(ties, *told)

    def start(self) -> FloatArray:
        """Where the encoder says the frames are, no offsets, the geometry as told."""
        return np.concatenate([self.encoder, np.zeros(self.n), self.nominal])

    def crosses_datum(self) -> np.ndarray:
        """Which ties run from the scan's end over the datum to its beginning."""
        if not self.ring or len(self.ties) == 0:
            return np.zeros(len(self.ties), dtype=bool)
        step = self.encoder[self.ties.b] - self.encoder[self.ties.a]
        return np.asarray(np.abs(step) > self.geometry.circumference_mm / 2)

    def shaped(self, unknowns: FloatArray) -> tuple[ScanGeometry, Panel]:
        """Geometry and panel with the shared unknowns put in."""
        return shaped(self.geometry, self.panel, unknowns[2 * self.n :])

    def seen(self, unknowns: FloatArray) -> tuple[FloatArray, FloatArray]:
        """(ties, 2) each: the places (s, z) in mm that frames a and b see."""
        geometry, panel = self.shaped(unknowns)
        position, axial = unknowns[: self.n], unknowns[self.n : 2 * self.n]
        a, b = self.ties.a, self.ties.b
        at_a = (position[a], axial[a], self.column_a, self.row_a)
        at_b = (position[b], axial[b], self.column_b, self.row_b)
        return (
            np.stack(pixel_to_surface(geometry, panel, *at_a), axis=1),
            np.stack(pixel_to_surface(geometry, panel, *at_b), axis=1),
        )

    def residuals(self, unknowns: FloatArray) -> FloatArray:
        """(ties, 2): where b sees the place minus where a does, (s, z) in mm."""
        seen_a, seen_b = self.seen(unknowns)
        missed = seen_b - seen_a
        if self.ring:
            once = self.geometry.circumference_mm
            missed[:, 0] -= once * np.round(missed[:, 0] / once)
        return missed

    def missed(self, solution: Solution, crosses: np.ndarray) -> tuple[float, float]:
        """By how much the ring misses itself, along the scan and along the pipe."""
        left = self.residuals(solution.unknowns)[crosses]
        weight = 1 / self.variances[crosses]
        along, axial = (_weighted_median(left[:, k], weight[:, k]) for k in (0, 1))
        return along, axial

    def set_floor(self, floor_px: float) -> None:
        """Weigh the ties by their own covariance and what the projection itself may leave."""
        floor = np.eye(2) * (floor_px * self.pitch_mm) ** 2
        covariance = self.ties.covariance + floor
        self.weights = np.linalg.inv(covariance)
        self.variances = np.stack([covariance[:, 0, 0], covariance[:, 1, 1]], axis=1)

    def find_floor(self, solution: Solution, use: np.ndarray) -> float:
        """What the projection leaves, px, as the residuals tell it: the likeliest under their own
        covariance and a floor. With few ties what is usual."""
        kept = use & ~solution.rejected
        count = int(kept.sum())
        if count < max(_LEAST_TIES, 2 * self.n):
            return _FLOOR_PX
        squares = self.residuals(solution.unknowns)[kept] ** 2 * (count / (count - self.n))
        own = np.diagonal(self.ties.covariance[kept], axis1=1, axis2=2)
        variance = own + (_FLOORS_PX[:, np.newaxis, np.newaxis] * self.pitch_mm) ** 2
        surprise = (np.log(variance) + squares / variance).sum(axis=(1, 2))
        return float(_FLOORS_PX[int(np.argmin(surprise))])

    def solve(
        self,
        start: FloatArray,
        use: np.ndarray,
        prior: Equations | None = None,
        *,
        settled: bool = False,
    ) -> Solution:
        """Gauss-Newton with Cauchy weights, then once more without the ties called wrong.

        ``prior`` other than the problem's own; ``settled``: ``start`` is near the answer already.
        """
        prior = prior or self.prior
        unknowns, robust = start.copy(), np.ones(len(self.ties))
        converged, factor = False, 1.0
        rejected = np.zeros(len(self.ties), dtype=bool)
        near = settled
        slopes, moved_mm = self._shared_slopes(unknowns), 0.0
        for step in range(40):
            if moved_mm > _SLOPES_HOLD_MM:
                slopes, moved_mm = self._shared_slopes(unknowns), 0.0
            matrix, right, distance = self._normal(unknowns, robust * use, prior, slopes)
            move = np.linalg.solve(matrix, right)
            unknowns = unknowns + move
            moved_mm += float(np.abs(move).max())
            small = float(np.abs(move[: 2 * self.n]).max()) < _SETTLED_MM
            if small and near and step > 0:
                converged = True
                break
            # Once settled under Cauchy weights, right ties count fully.
            near = near or (small and step > 2)
            scale = max(float(np.median(distance[use])) / 1.18, 1.0) if use.any() else 1.0
            if near:
                rejected = distance > _REJECT * scale * np.where(rejected, _RETURN, 1.0)
                robust = (~rejected).astype(float)
            else:
                robust = 1 / (1 + (distance / (_CAUCHY * scale)) ** 2)
        matrix, _, distance = self._normal(unknowns, robust * use, prior, slopes)
        kept = use & ~rejected
        if kept.sum() > self.n:
            factor = max(
                float(np.sum(distance[kept] ** 2) / max(2 * kept.sum() - 2 * self.n, 1)), 1
            )
        return Solution(
            unknowns,
            np.asarray(np.linalg.inv(matrix) * factor, dtype=np.float64),
            distance,
            rejected,
            factor,
            converged,
        )

    def covariance(self, solution: Solution, use: np.ndarray, prior: Equations) -> FloatArray:
        """The unknowns' covariance were it for another ``prior``, at the same ``solution``."""
        weight = (use & ~solution.rejected).astype(float)
        slopes = self._shared_slopes(solution.unknowns)
        matrix, _, _ = self._normal(solution.unknowns, weight, prior, slopes)
        return np.asarray(np.linalg.inv(matrix) * solution.factor)

    def _normal(
        self, unknowns: FloatArray, weight: FloatArray, prior: Equations, shared: FloatArray
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Normal matrix, right side, and each tie's Mahalanobis distance at ``unknowns``;
        ``shared`` from `_shared_slopes`, there or near."""
        n, size = self.n, self.size
        residual = self.residuals(unknowns)
        weighted = self.weights * weight[:, np.newaxis, np.newaxis]
        distance = np.sqrt(np.einsum("ti,tij,tj->t", residual, self.weights, residual))
        # Columns as in `places`: b's and a's position and axial place.
        own = np.zeros((len(self.ties), 2, 4))
        own[:, 0, 0], own[:, 1, 1], own[:, 0, 2], own[:, 1, 3] = 1.0, 1.0, -1.0, -1.0
        pulled = own.transpose(0, 2, 1) @ weighted  # (ties, 4, 2)
        rows = self.places[:, :, np.newaxis]
        matrix = _summed(rows * size + self.places[:, np.newaxis], pulled @ own, size**2)
        matrix = matrix.reshape(size, size)
        across = _summed(rows * SHARED + np.arange(SHARED), pulled @ shared, 2 * n * SHARED)
        matrix[: 2 * n, 2 * n :] = across.reshape(2 * n, SHARED)
        matrix[2 * n :, : 2 * n] = matrix[: 2 * n, 2 * n :].T
        shared_pull = (weighted @ shared).reshape(-1, SHARED).T
        matrix[2 * n :, 2 * n :] = shared_pull @ shared.reshape(-1, SHARED)
        pull = _summed(self.places, (pulled @ residual[:, :, np.newaxis])[:, :, 0], size)
        pull[2 * n :] = shared_pull @ residual.ravel()
        right = prior.right - prior.matrix @ unknowns - pull
        return matrix + prior.matrix, np.asarray(right), np.asarray(distance)

    def _shared_slopes(self, unknowns: FloatArray) -> FloatArray:
        """(ties, 2, SHARED): how the residuals move with what all frames share."""
        n, free = self.n, self.sigmas > 0
        slopes = np.zeros((len(self.ties), 2, SHARED))
        before = np.stack(self.seen(unknowns))

        def moved(k: int) -> FloatArray:
            changed = unknowns.copy()
            changed[2 * n + k] += _STEPS[k]
            return (np.stack(self.seen(changed)) - before) / _STEPS[k]

        for k in _SINGLE:
            if free[k]:
                by_a, by_b = moved(k)
                slopes[:, :, k] = by_b - by_a
        if free[STANDOFF:].any():
            # One quotient serves all: a wave lifts each frame by what it is there.
            by_a, by_b = moved(STANDOFF)
            slopes[:, :, STANDOFF] = by_b - by_a
            waves = lift_waves(unknowns[:n] / self.geometry.radius_mm, LIFT_ORDERS)
            slopes[:, :, LIFT] = (
                by_b[:, :, np.newaxis] * waves[self.ties.b, np.newaxis]
                - by_a[:, :, np.newaxis] * waves[self.ties.a, np.newaxis]
            )
        slopes[:, :, ~free] = 0.0
        return slopes

    def prior_equations(self, sigmas: FloatArray) -> Equations:
        """The priors, with ``sigmas`` (SHARED,) of what all frames share."""
        return prior_equations(self.encoder, self.priors, self.nominal, sigmas)

    def held_at(self, unknowns: FloatArray) -> Equations:
        """The priors, with all but the encoder's scale held as in ``unknowns``."""
        held = 2 * self.n + np.delete(np.arange(SHARED), SCALE)
        matrix, right = self.prior.matrix.copy(), self.prior.right.copy()
        matrix[held, held] += 1 / HELD_SIGMA**2
        right[held] += unknowns[held] / HELD_SIGMA**2
        return Equations(matrix, right)


def _summed(cells: np.ndarray, values: FloatArray, size: int) -> FloatArray:
    """(size,): the sum of the ``values`` that belong to each cell."""
    return np.asarray(np.bincount(cells.ravel(), values.ravel(), size), dtype=np.float64)


def _weighted_median(values: FloatArray, weights: FloatArray) -> float:
    order = np.argsort(values)
    total = np.cumsum(weights[order])
    return float(values[order][np.searchsorted(total, total[-1] / 2)])
