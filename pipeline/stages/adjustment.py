"""The adjustment: all positions, and what the ties tell of the geometry, in one least squares.

Unknown are every frame's place along the scan and along the pipe and what all frames share (see
``unknowns``): where the source stands off the axis, the panel's roll and tilts, its stand-off and
how that varies round the ring, the encoder's scale. A tie says that two panel points see one
surface point; the encoder says how far each step went; priors hold what neither tells.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from pipeline.geometry import Panel, ScanGeometry
from pipeline.model import FloatArray
from pipeline.stages.least_squares import Problem, Solution
from pipeline.stages.matching import Ties
from pipeline.stages.unbent import unbent
from pipeline.stages.unknowns import (
    PITCH,
    ROLL,
    SCALE,
    SOURCE_X,
    SOURCE_Y,
    STANDOFF,
    YAW,
    Priors,
    likely_lift_mm,
    names_of,
    standoff_sigma_mm,
    untold,
)

__all__ = ["Adjustment", "Priors", "adjust"]

# What stays as told when the ties hardly tell it: the priors' name for each.
_SIGMA_OF = {
    "yaw_deg": "yaw_sigma_rad",
    "pitch_deg": "pitch_sigma_rad",
    "standoff_mm": "standoff_sigma_mm",
}


@dataclass(frozen=True, slots=True)
class Adjustment:
    """Positions (n,), mm, with sigma relative to the first frame; the geometry as refined.

    ``closure_mm`` (along the scan) is how far the ring misses itself when its closure places no
    frame, with the geometry that all ties tell; ``open_closure_mm`` and ``closure_axial_mm`` (along
    the pipe) when its closure is used for nothing at all; None for an arc or when no tie crosses
    the datum. ``standoff_sigma_mm`` is the mean's, ``local_standoff_sigma_mm`` the largest at any
    frame's place. ``refined`` names what was free, ``undetermined`` what of it the ties hardly told
    (it stays near what was told). ``distance`` is each tie's Mahalanobis distance after the
    solution, ``rejected`` those that were called wrong; ``residual_mm`` (ties, 2) what each misses
    by, (s, z).
    """

    position_mm: FloatArray
    sigma_mm: FloatArray
    axial_mm: FloatArray
    geometry: ScanGeometry
    panel: Panel
    source_sigma_mm: tuple[float, float]
    roll_sigma_rad: float
    yaw_sigma_rad: float
    pitch_sigma_rad: float
    standoff_sigma_mm: float
    local_standoff_sigma_mm: float
    encoder_scale: float
    closure_mm: float | None
    open_closure_mm: float | None
    closure_axial_mm: float | None
    distance: FloatArray
    rejected: np.ndarray
    residual_mm: FloatArray
    wraps: np.ndarray
    variance_factor: float
    refined: tuple[str, ...]
    undetermined: tuple[str, ...]
    converged: bool


@dataclass(frozen=True, slots=True)
class _Closure:
    """How far the ring misses itself, see `Adjustment`; mm."""

    along: float | None = None
    open_along: float | None = None
    open_axial: float | None = None


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
    For a ring the ties across the datum are solved without, with, and without again but with the
    geometry that they helped to find: a wrong stand-off makes the ring miss itself, so the closure
    tells it; what it leaves unexplained is the frames' own.
    """
    problem = Problem(ties, encoder_mm, geometry, panel, priors, ring, pitch_mm)
    crosses, every = problem.crosses_datum(), np.ones(len(ties), dtype=bool)
    solution = problem.solve(problem.start(), ~crosses)
    closure = _Closure()
    closes = ring and bool(crosses.any())
    if closes:
        open_along, open_axial = problem.missed(solution, crosses)
        solution = problem.solve(solution.unknowns, every)
        closure = _Closure(None, open_along, open_axial)
    problem = _straightened(problem, solution)
    solution = problem.solve(solution.unknowns, every, settled=True)
    problem.set_floor(problem.find_floor(solution, every))
    solution = problem.solve(solution.unknowns, every, settled=True)
    solution, covariance = _as_told_by_ties(problem, solution, every)
    if closes:
        held = problem.held_at(solution.unknowns)
        alone = problem.solve(solution.unknowns, ~crosses, held, settled=True)
        closure = replace(closure, along=problem.missed(alone, crosses)[0])
    return _result(problem, solution, covariance, closure)


def _straightened(problem: Problem, solution: Solution) -> Problem:
    """The problem with its ties freed of the bends that they were measured with."""
    n, unknowns = problem.n, solution.unknowns
    told = problem.geometry, problem.panel
    place = unknowns[:n], unknowns[n : 2 * n]
    ties = unbent(problem.ties, told, problem.shaped(unknowns), *place, ring=problem.ring)
    return problem.with_ties(ties)


def _as_told_by_ties(
    problem: Problem, solution: Solution, use: np.ndarray
) -> tuple[Solution, FloatArray]:
    """The solution with no more lift-off, stand-off and tilts than the ties speak for; its
    covariance.

    A steady carriage must not be given a lift-off made of noise, nor a stand-off or tilt that the
    ties hardly tell be moved; but what they can't tell mustn't be taken as known either. So values
    come from the likeliest spread of the waves, and stand-off and tilts as told; the covariance
    from the largest spread that is about as likely and their own uncertainty.
    """
    priors = problem.priors
    spread = (0.0, 0.0)
    if priors.lift_sigma_mm > 0:
        shared = slice(2 * problem.n, None)
        spread = likely_lift_mm(
            solution.unknowns[shared],
            solution.covariance[shared, shared],
            solution.factor,
            priors,
        )
    likeliest, largest = (replace(priors, lift_sigma_mm=mm) for mm in spread)
    covariance = problem.covariance(solution, use, problem.prior_equations(largest.shared_sigmas()))
    sigma = np.sqrt(np.diag(covariance)[2 * problem.n :])
    held = {_SIGMA_OF[name]: 0.0 for name in untold(sigma, problem.sigmas) if name in _SIGMA_OF}
    likeliest = replace(likeliest, **held)
    values = problem.prior_equations(likeliest.shared_sigmas())
    return problem.solve(solution.unknowns, use, values, settled=True), covariance


def _result(
    problem: Problem, solution: Solution, covariance: FloatArray, closure: _Closure
) -> Adjustment:
    n, unknowns, free = problem.n, solution.unknowns, problem.sigmas > 0
    geometry, panel = problem.shaped(unknowns)
    sigma = np.sqrt(np.clip(np.diag(covariance), 0, None))
    shared = sigma[2 * n :]
    local = standoff_sigma_mm(geometry, unknowns[:n], covariance[2 * n :, 2 * n :])
    return Adjustment(
        position_mm=unknowns[:n],
        sigma_mm=sigma[:n],
        axial_mm=unknowns[n : 2 * n],
        geometry=geometry,
        panel=panel,
        source_sigma_mm=(float(shared[SOURCE_X]), float(shared[SOURCE_Y])),
        roll_sigma_rad=float(shared[ROLL]),
        yaw_sigma_rad=float(shared[YAW]),
        pitch_sigma_rad=float(shared[PITCH]),
        standoff_sigma_mm=float(shared[STANDOFF]),
        local_standoff_sigma_mm=float(local.max()),
        encoder_scale=float(unknowns[2 * n + SCALE]),
        closure_mm=closure.along,
        open_closure_mm=closure.open_along,
        closure_axial_mm=closure.open_axial,
        distance=solution.distance,
        rejected=solution.rejected,
        residual_mm=problem.residuals(unknowns),
        wraps=problem.crosses_datum(),
        variance_factor=solution.factor,
        refined=names_of(free),
        undetermined=untold(shared, problem.sigmas),
        converged=solution.converged and math.isfinite(float(unknowns.sum())),
    )
