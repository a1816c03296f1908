"""How far off the places are that a stitcher gave its pictures."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True)
class Score:
    """Root mean square and largest error along the scan (s) and along the pipe (z), pixels, with
    the picture's common shift taken off; ``placed`` of how many pictures have a place at all."""

    s_rms_px: float
    z_rms_px: float
    s_worst_px: float
    placed: int
    frames: int

    @property
    def all_within_a_pixel(self) -> bool:
        """Whether every picture was placed, and to better than one pixel along the scan."""
        return self.placed == self.frames and self.s_worst_px < 1


def score(found_px: np.ndarray, true_px: np.ndarray) -> Score:
    """``found_px`` and ``true_px`` (n, 2): (row, column); a picture without a place is NaN."""
    error = np.asarray(found_px, dtype=np.float64) - true_px
    placed = np.isfinite(error).all(axis=1)
    if not placed.any():
        return Score(np.nan, np.nan, np.nan, 0, len(error))
    error = error[placed] - error[placed].mean(axis=0)
    z, s = np.sqrt(np.mean(error**2, axis=0))
    return Score(
        float(s), float(z), float(np.abs(error[:, 1]).max()), int(placed.sum()), len(placed)
    )
