"""How lag differs over the panel: each part's share of the panel's lag, and a surface through them.

What is measured is lag after a long exposure in parts of the panel of equal size. Everywhere the
fractions are taken as those of the whole panel times one share: traps fill and empty at the same
pace, there are only more of them in one place than in another.
"""

from __future__ import annotations

import numpy as np

from pipeline.calibration.lag_measure import LEAST_FRACTION, LagFractions
from pipeline.model import FloatArray

_SIGMAS = 4.0
"""By so many standard deviations the parts' χ² must exceed what noise alone gives. With 16 parts
noise does so once in 500 panels, and then does next to no harm."""


def lag_shares(lag: LagFractions) -> FloatArray | None:
    """Lag of each part relative to the panel's; None where the panel's serves as well.

    So it is if the parts differ no more than they are uncertain, or by less than anyone could see
    in a strip (``LEAST_FRACTION``): then each part's own figure would only bring its noise in.
    """
    away = lag.regions - lag.regions.mean()
    freedom = lag.regions.size - 1
    if freedom == 0 or float(np.abs(away).max()) < LEAST_FRACTION:
        return None
    chi_squared = float(np.sum((away / lag.regions_sigma) ** 2))
    if chi_squared < freedom + _SIGMAS * np.sqrt(2 * freedom):
        return None
    return _total(lag.regions) / float(_total(np.array(lag.first_frame)))


def _total(after_long: FloatArray) -> FloatArray:
    """The sum of all fractions from what is left of a long exposure."""
    return np.asarray(after_long / (1 - after_long))


def to_the_edges(shares: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """The shares at knots that reach over the whole panel: (rows, columns), and where they are.

    A part's share stands at its middle; those at the panel's edges follow from the two next to
    them in a straight line, but never below 0. Places are parts of the panel's height and width.
    """
    down, rows = _extended(shares)
    across, columns = _extended(down.T)
    return np.maximum(across.T, 0), rows, columns


def _extended(shares: FloatArray) -> tuple[FloatArray, FloatArray]:
    """A row more before and after; with their places."""
    parts = len(shares)
    places = np.concatenate([[0.0], (np.arange(parts) + 0.5) / parts, [1.0]])
    if parts == 1:
        return np.repeat(shares, 3, axis=0), places
    first, last = (3 * shares[0] - shares[1]) / 2, (3 * shares[-1] - shares[-2]) / 2
    return np.concatenate([[first], shares, [last]]), places
