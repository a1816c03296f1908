"""The adjustment: all positions, and what the ties tell of the geometry, in one least squares.

Unknown are every frame's place along the scan and along the pipe, where the source stands off the
axis, the panel's roll, and the encoder's scale. A tie says that two panel points see one surface
point; the encoder says how far each step went; priors hold what neither tells. Solved by
Gauss-Newton on the exact projection, ties re-weighted so that wrong ones lose their say (Cauchy
weights, as in Holland and Welsch 1977).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from pipeline.geometry import Panel, ScanGeometry, pixel_to_surface, surface_to_pixel
from pipeline.model import FloatArray
from pipeline.stages.matching import Ties

_FLOOR_PX = 0.02  # what the projection model itself may leave, at strip pitch
_CAUCHY = 2.5
_NAMES = ("source_x_mm", "source_y_mm", "roll_deg", "encoder_scale")
_SETTLED_MM = 1e-4
_ORIGIN_SIGMA_MM = 1e-4  # the first frame is where both counts begin
_HELD_SIGMA = 1e-9  # of an unknown that is not to move
_REJECT = 6.0  # Mahalanobis distance beyond which a tie is called wrong


@dataclass(frozen=True, slots=True)
class Priors:
    """How well things are known before any picture is compared (standard deviations)."""

    step_sigma_mm: float
    encoder_scale_sigma: float
    axial_sigma_mm: float
    source_sigma_mm: float  # 0: held
    roll_sigma_rad: float  # 0: held


@dataclass(frozen=True, slots=True)
class Adjustment:
    """Positions (n,), mm, with sigma relative to the first frame; the geometry as refined.

    ``closure_mm`` (along the scan) and ``closure_axial_mm`` are how far the ring misses itself when
    its closure is not used; None for an arc or when no tie crosses the datum. ``distance`` is each
    tie's Mahalanobis distance after the solution, ``rejected`` those that were called wrong;
    ``residual_mm`` (ties, 2) what each misses by, (s, z).
    """

    position_mm: FloatArray
    sigma_mm: FloatArray
    axial_mm: FloatArray
    geometry: ScanGeometry
    panel: Panel
    source_sigma_mm: tuple[float, float]
    roll_sigma_rad: float
    encoder_scale: float
    closure_mm: float | None
    closure_axial_mm: float | None
    distance: FloatArray
    rejected: np.ndarray
    residual_mm: FloatArray
    wraps: np.ndarray
    variance_factor: float
    refined: tuple[str, ...]
    converged: bool


def adjust(
    ties: Ties,
    encoder_mm: FloatArray,
    geometry: ScanGeometry,
    panel: Panel,
    priors: Priors,
    *,
    ring: bool,
    pitch_mm: float,
) -> Adjustment:
    """Solve all positions at once. ``ties`` number frames 0 … n−1 in scan order.

    ``encoder_mm`` (n,) already counts from the datum; the first frame's reading is the origin.
    For a ring the ties across the datum are solved with and without, so that the closure is
    measured before it is used.
    """
    problem = _Problem(ties, encoder_mm, geometry, panel, priors, ring, pitch_mm)
    crosses = problem.crosses_datum()
    opened = problem.solve(problem.start(), ~crosses)
    closure = closure_axial = None
    solution = opened
    if ring and bool(crosses.any()):
        left = problem.residuals(opened.unknowns)[crosses]
        weight = 1 / problem.variances[crosses]
        middle = [_weighted_median(left[:, k], weight[:, k]) for k in (0, 1)]
        closure, closure_axial = middle
        solution = problem.solve(opened.unknowns, np.ones(len(ties), dtype=bool))
    return problem.result(solution, closure, closure_axial)


def _weighted_median(values: FloatArray, weights: FloatArray) -> float:
    order = np.argsort(values)
    total = np.cumsum(weights[order])
    return float(values[order][np.searchsorted(total, total[-1] / 2)])


@dataclass(frozen=True, slots=True)
class _Solution:
    unknowns: FloatArray
    covariance: FloatArray
    distance: FloatArray
    rejected: np.ndarray
    factor: float
    converged: bool


class _Problem:
    """The unknowns are [positions (n), axial (n), source x, source y, roll, encoder scale]."""

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
        nominal = (geometry, panel, 0.0, 0.0)
        self.column_a, self.row_a = surface_to_pixel(*nominal, ties.s_a, ties.z_a)
        self.column_b, self.row_b = surface_to_pixel(*nominal, ties.s_b, ties.z_b)
        floor = np.eye(2) * (_FLOOR_PX * pitch_mm) ** 2
        self.covariance = ties.covariance + floor
        self.weights = np.linalg.inv(self.covariance)
        self.variances = np.stack([self.covariance[:, 0, 0], self.covariance[:, 1, 1]], axis=1)
        sigmas = [priors.source_sigma_mm] * 2 + [priors.roll_sigma_rad, priors.encoder_scale_sigma]
        self.free = [k for k, sigma in enumerate(sigmas) if sigma > 0]
        self.sigmas = np.array(sigmas)
        self.steps = np.array([1e-3, 1e-3, 1e-6, 1e-6])  # for the difference quotients
        self.prior_matrix, self.prior_right = self._prior_equations()
        # Which unknowns each tie's Jacobian belongs to, and their cells of the normal matrix.
        n = self.n
        shared = np.broadcast_to(np.arange(2 * n, 2 * n + 4), (len(ties), 4))
        own = np.stack([ties.b, n + ties.b, ties.a, n + ties.a], axis=1)
        self.places = np.concatenate([own, shared], axis=1)
        rows, columns = self.places[:, :, np.newaxis], self.places[:, np.newaxis, :]
        self.cells = (rows * (2 * n + 4) + columns).ravel()

    def start(self) -> FloatArray:
        """Where the encoder says the frames are, no offsets, the geometry as told."""
        unknowns = np.zeros(2 * self.n + 4)
        unknowns[: self.n] = self.encoder
        unknowns[2 * self.n :] = self.nominal()
        return unknowns

    def nominal(self) -> FloatArray:
        return np.array(
            [self.geometry.source_x_mm, self.geometry.source_y_mm, self.panel.roll_rad, 1.0]
        )

    def crosses_datum(self) -> np.ndarray:
        """Which ties run from the scan's end over the datum to its beginning."""
        if not self.ring or len(self.ties) == 0:
            return np.zeros(len(self.ties), dtype=bool)
        step = self.encoder[self.ties.b] - self.encoder[self.ties.a]
        return np.asarray(np.abs(step) > self.geometry.circumference_mm / 2)

    def shaped(self, unknowns: FloatArray) -> tuple[ScanGeometry, Panel]:
        """Geometry and panel with the global unknowns put in."""
        x, y, roll, _ = unknowns[2 * self.n :]
        return (
            replace(self.geometry, source_x_mm=float(x), source_y_mm=float(y)),
            replace(self.panel, roll_rad=float(roll)),
        )

    def residuals(self, unknowns: FloatArray) -> FloatArray:
        """(ties, 2): where b sees the place minus where a does, (s, z) in mm."""
        geometry, panel = self.shaped(unknowns)
        position, axial = unknowns[: self.n], unknowns[self.n : 2 * self.n]
        a, b = self.ties.a, self.ties.b
        s_a, z_a = pixel_to_surface(
            geometry, panel, position[a], axial[a], self.column_a, self.row_a
        )
        s_b, z_b = pixel_to_surface(
            geometry, panel, position[b], axial[b], self.column_b, self.row_b
        )
        along = s_b - s_a
        if self.ring:
            once = geometry.circumference_mm
            along = along - once * np.round(along / once)
        return np.stack([along, z_b - z_a], axis=1)

    def solve(self, start: FloatArray, use: np.ndarray) -> _Solution:
        """Gauss-Newton with Cauchy weights, then once more without the ties called wrong."""
        unknowns, robust = start.copy(), np.ones(len(self.ties))
        converged, factor = False, 1.0
        rejected = np.zeros(len(self.ties), dtype=bool)
        for step in range(40):
            matrix, right, distance = self._normal(unknowns, robust * use)
            move = np.linalg.solve(matrix, right)
            unknowns = unknowns + move
            small = float(np.abs(move[: 2 * self.n]).max()) < _SETTLED_MM
            if small and converged:
                break
            if small and step > 2:
                # Settled under Cauchy weights: from now on right ties count fully.
                converged = True
            scale = max(float(np.median(distance[use])) / 1.18, 1.0) if use.any() else 1.0
            if converged:
                rejected = distance > _REJECT * scale
                robust = (~rejected).astype(float)
            else:
                robust = 1 / (1 + (distance / (_CAUCHY * scale)) ** 2)
        matrix, _, distance = self._normal(unknowns, robust * use)
        kept = use & ~rejected
        if kept.sum() > self.n:
            factor = max(
                float(np.sum(distance[kept] ** 2) / max(2 * kept.sum() - 2 * self.n, 1)), 1
            )
        return _Solution(
            unknowns,
            np.asarray(np.linalg.inv(matrix) * factor, dtype=np.float64),
            distance,
            rejected,
            factor,
            converged,
        )

    def _normal(
        self, unknowns: FloatArray, weight: FloatArray
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Normal matrix, right side, and each tie's Mahalanobis distance at ``unknowns``."""
        n, ties = self.n, self.ties
        residual = self.residuals(unknowns)
        weighted = self.weights * weight[:, np.newaxis, np.newaxis]
        distance = np.sqrt(np.einsum("ti,tij,tj->t", residual, self.weights, residual))
        # Columns as in `places`: b's and a's position and axial place, then what all frames share.
        jacobian = np.zeros((len(ties), 2, 8))
        jacobian[:, 0, 0], jacobian[:, 1, 1] = 1.0, 1.0
        jacobian[:, 0, 2], jacobian[:, 1, 3] = -1.0, -1.0
        for k in self.free:
            moved = unknowns.copy()
            moved[2 * n + k] += self.steps[k]
            jacobian[:, :, 4 + k] = (self.residuals(moved) - residual) / self.steps[k]
        pulled = jacobian.transpose(0, 2, 1) @ weighted  # (ties, 8, 2)
        products = pulled @ jacobian
        pull = (pulled @ residual[:, :, np.newaxis])[:, :, 0]
        size = len(unknowns)
        cells = np.bincount(self.cells, products.ravel(), size**2).reshape(size, size)
        places = np.bincount(self.places.ravel(), pull.ravel(), size)
        matrix = np.asarray(cells + self.prior_matrix, dtype=np.float64)
        right = np.asarray(self.prior_right - self.prior_matrix @ unknowns - places)
        return matrix, right, np.asarray(distance)

    def _prior_equations(self) -> tuple[FloatArray, FloatArray]:
        """The priors as normal equations: matrix P and right side q, so that P·unknowns = q.

        The first frame is the origin, along and across; a step is the encoder's, times its scale;
        a carriage stays near its line; the geometry near what was told.
        """
        n, priors = self.n, self.priors
        size = 2 * n + 4
        steps = np.diff(self.encoder)
        frames, links = np.arange(n), np.arange(n - 1)
        rows = np.zeros((2 + (n - 1) + n + 4, size))
        told = np.zeros(len(rows))
        rows[0, 0] = rows[1, n] = 1 / _ORIGIN_SIGMA_MM
        told[0] = self.encoder[0] / _ORIGIN_SIGMA_MM
        encoder = 2 + links
        rows[encoder, links + 1] = 1 / priors.step_sigma_mm
        rows[encoder, links] = -1 / priors.step_sigma_mm
        rows[encoder, 2 * n + 3] = -steps / priors.step_sigma_mm
        rows[n + 1 + frames, n + frames] = 1 / priors.axial_sigma_mm
        held = np.array([k not in self.free for k in range(4)])
        sigma = np.where(held, _HELD_SIGMA, self.sigmas)
        shape = np.arange(4)
        rows[2 * n + 1 + shape, 2 * n + shape] = 1 / sigma
        told[2 * n + 1 + shape] = self.nominal() / sigma
        return rows.T @ rows, rows.T @ told

    def result(
        self, solution: _Solution, closure: float | None, closure_axial: float | None
    ) -> Adjustment:
        n = self.n
        geometry, panel = self.shaped(solution.unknowns)
        sigma = np.sqrt(np.clip(np.diag(solution.covariance), 0, None))
        return Adjustment(
            position_mm=solution.unknowns[:n],
            sigma_mm=sigma[:n],
            axial_mm=solution.unknowns[n : 2 * n],
            geometry=geometry,
            panel=panel,
            source_sigma_mm=(float(sigma[2 * n]), float(sigma[2 * n + 1])),
            roll_sigma_rad=float(sigma[2 * n + 2]),
            encoder_scale=float(solution.unknowns[2 * n + 3]),
            closure_mm=closure,
            closure_axial_mm=closure_axial,
            distance=solution.distance,
            rejected=solution.rejected,
            residual_mm=self.residuals(solution.unknowns),
            wraps=self.crosses_datum(),
            variance_factor=solution.factor,
            refined=tuple(_NAMES[k] for k in self.free),
            converged=solution.converged and math.isfinite(float(solution.unknowns.sum())),
        )
