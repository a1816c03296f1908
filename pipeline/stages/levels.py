"""The levels: every frame's relative exposure, solved together from what the overlaps show."""

from __future__ import annotations

import numpy as np

from pipeline.geometry import ScanGeometry, relative_flux
from pipeline.model import FloatArray
from pipeline.stages.matching import Ties

_SIGMA = 1e-3  # scatter of a patch's logarithm: photon noise and what is left of the gain
_CAUCHY = 3.0


def log_beam_shape(
    geometry: ScanGeometry, nominal: ScanGeometry, position_mm: FloatArray, u_mm: FloatArray
) -> FloatArray:
    """How much brighter (natural logarithm) the off-centre source makes the panel at ``u_mm``.

    Relative to the nominal source, whose beam shape the flats already hold; at the panel's middle
    row. What the beam does along the rows is the same above and below but for the frame's wander
    along the pipe; blending takes it out.
    """
    theta = position_mm / geometry.radius_mm
    lift = geometry.lift_mm(theta)
    actual = relative_flux(geometry, geometry.source(theta), u_mm, 0.0, lift)
    told = relative_flux(nominal, nominal.source(theta), u_mm, 0.0)
    return np.asarray(np.log(actual / told))


def solve_levels(
    ties: Ties,
    frames: int,
    position_mm: FloatArray,
    geometry: ScanGeometry,
    nominal: ScanGeometry,
) -> tuple[FloatArray, FloatArray]:
    """(levels, misfits): exposure of every frame relative to the geometric mean, and what each tie
    still disagrees by (natural logarithm).

    Least squares over all ties with Cauchy weights; a frame without ties gets its neighbours'
    level (a weak pull from frame to frame, standard deviation 0.1).
    """
    shape_a = log_beam_shape(geometry, nominal, position_mm[ties.a], _u_mm(ties.s_a, nominal))
    shape_b = log_beam_shape(geometry, nominal, position_mm[ties.b], _u_mm(ties.s_b, nominal))
    seen = ties.log_ratio - (shape_b - shape_a)
    robust = np.ones(len(ties))
    logs = np.zeros(frames)
    misfit = seen
    for _ in range(15):
        matrix = np.full((frames, frames), 1.0)  # holds the sum of the logarithms at zero
        right = np.zeros(frames)
        for k in range(frames - 1):
            pull = 1 / 0.1**2
            matrix[k, k] += pull
            matrix[k + 1, k + 1] += pull
            matrix[k, k + 1] -= pull
            matrix[k + 1, k] -= pull
        weight = robust / _SIGMA**2
        np.add.at(matrix, (ties.a, ties.a), weight)
        np.add.at(matrix, (ties.b, ties.b), weight)
        np.add.at(matrix, (ties.a, ties.b), -weight)
        np.add.at(matrix, (ties.b, ties.a), -weight)
        np.add.at(right, ties.b, weight * seen)
        np.add.at(right, ties.a, -weight * seen)
        solved = np.linalg.solve(matrix, right)
        misfit = seen - (solved[ties.b] - solved[ties.a])
        robust = 1 / (1 + (misfit / (_CAUCHY * _SIGMA)) ** 2)
        settled = bool(np.abs(solved - logs).max() < 1e-7)
        logs = solved
        if settled:
            break
    logs = logs - logs.mean()
    return np.exp(logs), misfit


def _u_mm(s_mm: FloatArray, geometry: ScanGeometry) -> FloatArray:
    """Where the panel sees the place ``s_mm`` from its centre, for the nominal source."""
    return geometry.panel_distance_mm * np.tan(s_mm / geometry.radius_mm)
