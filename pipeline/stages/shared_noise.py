"""How far ties fall short of being independent: a frame's noise is in every tie that it has."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from pipeline.model import FloatArray
from pipeline.stages.matching import Ties


def allow_for_shared_noise(
    ties: Ties, position_mm: FloatArray, reach_mm: tuple[float, float], circumference_mm: float
) -> Ties:
    """The ties with covariances that may be added up as if they were independent.

    A place of a frame that is compared with m others brings the same noise into m ties. In a net
    in which every frame is tied to all others that averages nothing away, so that each covariance
    must count (m + 1) / 2 times; in a chain of neighbours it cancels instead. Between the two,
    which is where scans lie, (m + 3) / 4: the mean of that and 1. ``position_mm`` (frames,) is
    roughly where the frames are, ``reach_mm`` from where to where each sees the surface, from its
    own centre; ``circumference_mm`` closes a ring's ties over the datum.
    """
    if len(ties) == 0:
        return ties
    partners: dict[int, set[int]] = {}
    for a, b in {(int(a), int(b)) for a, b in zip(ties.a, ties.b, strict=True)}:
        partners.setdefault(a, set()).add(b)
        partners.setdefault(b, set()).add(a)
    total = np.zeros(len(ties))
    for ends, places in ((ties.a, ties.s_a), (ties.b, ties.s_b)):
        for frame in np.unique(ends):
            mine = ends == frame
            others = np.array(sorted(partners[int(frame)]))
            step = position_mm[frame] - position_mm[others]
            step -= circumference_mm * np.round(step / circumference_mm)
            seen = places[mine, np.newaxis] + step
            total[mine] += np.sum((seen >= reach_mm[0]) & (seen <= reach_mm[1]), axis=1)
    shared = np.maximum(total / 2, 1.0)
    return replace(ties, covariance=ties.covariance * ((shared + 3) / 4)[:, np.newaxis, np.newaxis])
