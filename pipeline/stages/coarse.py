"""Where two frames' coarse copies fit best, and how good a fit is more than chance."""

from __future__ import annotations

import math
from dataclasses import dataclass
from statistics import NormalDist

import numpy as np

from pipeline.calibration.product import NoiseModel
from pipeline.kernels.correlation import Peak, best_match
from pipeline.model import FloatImage
from pipeline.stages.agreement import texture_noise
from pipeline.stages.views import COARSE, View

BORDER_PX = 12  # of an overlap: as far as a texture's background reaches beyond an end
_LEAST_COARSE = 8  # pixels of the coarse copies, each way
_CHANCE = 1e-7  # how often two blank pictures may seem to match
LOBE = 3  # coarse pixels about a peak that belong to it
_APART = 2.0  # standard errors between a place and the next best
_TAME = 4.0  # robust standard deviations of the texture that count when lead is not to
_CELL_PX = 3.0  # coarse pixels that count as one independent sample, squared


def repeats(peak: Peak, pixels: int) -> bool:
    """Whether another place fits so nearly as well that nothing tells which is right.

    Fisher's transforms of the two correlations differ by less than two standard errors; taking
    them as independent is on the safe side.
    """
    independent = max(pixels / _CELL_PX**2 - 3, 1.0)
    best, other = (math.atanh(min(score, 1 - 1e-9)) for score in (peak.score, peak.second))
    return best - other < _APART * math.sqrt(2 / independent)


@dataclass(frozen=True, slots=True)
class Coarse:
    """Where a's content lies best in b (rows, columns of the view), and how to judge that.

    ``peak`` is None where the overlap is too small to compare (``threshold`` 1) or a picture is
    flat; ``threshold`` the score that chance hardly reaches; ``template`` the part of a's coarse
    copy that was looked for, ``logs`` of that place.
    """

    peak: Peak | None
    threshold: float
    template: FloatImage
    logs: FloatImage

    def expected_score(self, noise: NoiseModel, pattern: float) -> float:
        """What the same metal would score: the part of the template's variance beyond noise and the
        panel's own ``pattern``."""
        gray = np.exp(self.logs[::8, ::8].astype(np.float64))
        rest = float(np.mean(texture_noise(gray, noise) ** 2)) + pattern
        return 1 - rest / float(self.template.var())


def coarse_shift(
    a: View,
    b: View,
    step_px: float,
    search_px: float,
    axial_px: float,
    *,
    at_rest: bool = True,
    tame: bool = False,
) -> Coarse:
    """The best match of the coarse copies within the search, if need be but ``at_rest``.

    ``tame``: with strong contrasts cut, as else lead has all the say, also where it slipped to.
    """
    rows, columns = a.coarse.shape
    step = step_px / COARSE
    reach, reach_rows = math.ceil(search_px / COARSE) + 1, math.ceil(axial_px / COARSE) + 1
    border = BORDER_PX // COARSE
    # Columns of a whose partner column (column − step) stays inside b over the whole search.
    first = max(border, math.ceil(step) + reach + border)
    end = min(columns - border, columns + math.floor(step) - reach - border)
    top, bottom = reach_rows + border, rows - reach_rows - border
    template = a.coarse[top:bottom, first:end]
    logs = a.logs[top * COARSE : bottom * COARSE, first * COARSE : end * COARSE]
    if end - first < _LEAST_COARSE or bottom - top < _LEAST_COARSE:
        return Coarse(None, 1.0, template, logs)
    left = first - round(step) - reach
    field = b.coarse[
        top - reach_rows : bottom + reach_rows, left : left + (end - first) + 2 * reach
    ]
    if tame:
        most = _TAME * 1.4826 * float(np.median(np.abs(template)))
        template, field = (np.clip(picture, -most, most) for picture in (template, field))
    threshold = _chance_score(template.size, (2 * reach + 1) * (2 * reach_rows + 1))
    rest = None if at_rest else (float(reach_rows), float(first - left))
    peak = best_match(template, field, lobe_px=LOBE, avoid=rest)
    if peak is not None:
        down = (peak.rows - reach_rows) * COARSE
        across = (peak.columns + left - first) * COARSE
        peak = Peak(down, across, peak.score, peak.second)
    return Coarse(peak, threshold, template, logs)


def _chance_score(pixels: int, shifts: int) -> float:
    """The correlation that unlike pictures reach once in 1/_CHANCE at the best of ``shifts``.

    Fisher's transformation (1915): artanh of the correlation of n independent samples is normal
    with variance 1/(n − 3); Bonferroni's bound over the independent shifts searched.
    """
    independent = pixels / _CELL_PX**2
    searched = max(shifts / _CELL_PX**2, 1.0)
    sigmas = NormalDist().inv_cdf(1 - _CHANCE / searched)
    return math.tanh(sigmas / math.sqrt(independent - 3))
