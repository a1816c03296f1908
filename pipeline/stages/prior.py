"""What is known before any picture is compared, as normal equations of an adjustment's unknowns."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.model import FloatArray
from pipeline.stages.unknowns import SCALE, SHARED, Priors

HELD_SIGMA = 1e-9  # of an unknown that is not to move
_ORIGIN_SIGMA_MM = 1e-4  # the first frame is where both counts begin


@dataclass(frozen=True, slots=True)
class Equations:
    """Normal equations: ``matrix`` · unknowns = ``right``."""

    matrix: FloatArray
    right: FloatArray


def prior_equations(
    encoder_mm: FloatArray, priors: Priors, nominal: FloatArray, sigmas: FloatArray
) -> Equations:
    """The priors of [positions (n), axial (n), what all frames share (SHARED)].

    ``nominal`` and ``sigmas`` (SHARED,) of what all frames share. The first frame is the origin,
    along and across; a step is the encoder's, times its scale; a carriage stays near its line; the
    geometry near what was told.
    """
    n = len(encoder_mm)
    steps = np.diff(encoder_mm)
    frames, links, shared = np.arange(n), np.arange(n - 1), np.arange(SHARED)
    rows = np.zeros((2 + (n - 1) + n + SHARED, 2 * n + SHARED))
    said = np.zeros(len(rows))
    rows[0, 0] = rows[1, n] = 1 / _ORIGIN_SIGMA_MM
    said[0] = encoder_mm[0] / _ORIGIN_SIGMA_MM
    encoder = 2 + links
    rows[encoder, links + 1] = 1 / priors.step_sigma_mm
    rows[encoder, links] = -1 / priors.step_sigma_mm
    rows[encoder, 2 * n + SCALE] = -steps / priors.step_sigma_mm
    rows[n + 1 + frames, n + frames] = 1 / priors.axial_sigma_mm
    sigma = np.where(sigmas > 0, sigmas, HELD_SIGMA)
    rows[2 * n + 1 + shared, 2 * n + shared] = 1 / sigma
    said[2 * n + 1 + shared] = nominal / sigma
    return Equations(rows.T @ rows, rows.T @ said)
