"""The seams: where the leading frame changes, and what its two frames say about each other."""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np

from pipeline.model import FloatArray, Placement
from pipeline.stages.matching import Ties


@dataclass(frozen=True, slots=True)
class SeamMeasure:
    """A seam at ``s_mm`` between the frames numbered ``left`` and ``right``.

    ``level_step`` is the relative gray step left between them, ``doubling`` their typical
    disagreement in units of noise, ``residual_mm`` how far their ties miss; None when no tie joins
    them.
    """

    s_mm: float
    left: int
    right: int
    level_step: float | None
    doubling: float | None
    residual_mm: float | None


def measure_seams(
    placement: Placement,
    ties: Ties,
    level_misfit: FloatArray,
    residual_mm: FloatArray,
    circumference_mm: float | None,
) -> list[SeamMeasure]:
    """All seams in scan order; for a ring (circumference given) also the one over the datum.

    ``level_misfit`` (ties,) natural logarithm; ``residual_mm`` (ties, 2).
    """
    order = [int(k) for k in np.argsort(placement.position_mm, kind="stable")]
    pairs = [
        (a, b, (float(placement.position_mm[a]) + float(placement.position_mm[b])) / 2)
        for a, b in itertools.pairwise(order)
    ]
    if circumference_mm is not None and len(order) > 2:
        last, first = order[-1], order[0]
        middle = float(placement.position_mm[last] + placement.position_mm[first])
        pairs.append((last, first, ((middle + circumference_mm) / 2) % circumference_mm))
    seams = []
    for left, right, s_mm in pairs:
        forward = (ties.a == left) & (ties.b == right)
        mine = forward | ((ties.a == right) & (ties.b == left))
        if not mine.any():
            seams.append(SeamMeasure(s_mm, left, right, None, None, None))
            continue
        sign = np.where(forward[mine], 1.0, -1.0)
        step = float(np.expm1(np.mean(sign * level_misfit[mine])))
        doubling = float(np.median(ties.residual[mine]))
        off = float(np.sqrt(np.mean(np.median(np.abs(residual_mm[mine]), axis=0) ** 2)))
        seams.append(SeamMeasure(s_mm, left, right, step, doubling, off))
    return seams
