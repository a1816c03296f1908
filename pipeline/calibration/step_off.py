"""Step-off sequences read: lag by parts of the panel, the frame that shows persistent pixels."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.calibration.exposure_reader import ExposureReader, frames_of
from pipeline.calibration.lag_measure import LagFractions, find_step, measure_lag
from pipeline.calibration.product import NoiseModel
from pipeline.calibration.sketch import SAMPLES, Sketch
from pipeline.calibration.statistics import Exposures
from pipeline.model import FloatArray, FloatImage


@dataclass(frozen=True, slots=True)
class LagPlan:
    """How many fractions to look for at most, and in how many parts of the panel (down, across)."""

    fractions: int = 4
    regions: tuple[int, int] = (4, 4)


@dataclass(frozen=True, slots=True)
class LagMeasured:
    """Lag, the mean over all sequences; ``after``: the mean of their first frames wholly after the
    beam, minus the dark (float32, GV), and the standard deviation of its pixels."""

    lag: LagFractions
    after: FloatImage
    after_noise_gv: float


def read_step_offs(
    reader: ExposureReader,
    sequences: Sequence[Exposures],
    dark: FloatImage,
    noise: NoiseModel,
    plan: LagPlan,
) -> LagMeasured | None:
    """What all step-off sequences say together; None without any.

    Raises:
        CalibrationError: a sequence is too short, or isn't one.
    """
    found: list[LagFractions] = []
    after = np.zeros_like(dark)
    for sequence in sequences:
        lag = _read(reader, sequence, dark, after, noise, plan)
        found.append(lag)
    if not found:
        return None
    after /= np.float32(len(found))
    mean = LagFractions(
        _mean_fractions(found),
        float(np.mean([one.first_frame for one in found])),
        float(np.mean([one.second_frame for one in found])),
        np.mean([one.regions for one in found], axis=0),
        float(np.sqrt(np.sum([one.regions_sigma**2 for one in found]))) / len(found),
    )
    return LagMeasured(mean, after, float(np.sqrt(noise.offset / len(found))))


def _mean_fractions(found: Sequence[LagFractions]) -> tuple[float, ...]:
    """The mean of all; a fraction that a sequence doesn't have is 0 there."""
    longest = max(len(one.fractions) for one in found)
    total = np.zeros(longest)
    for one in found:
        total[: len(one.fractions)] += one.fractions
    return tuple(float(value) for value in total / len(found))


def _read(
    reader: ExposureReader,
    sequence: Exposures,
    dark: FloatImage,
    after: FloatImage,
    noise: NoiseModel,
    plan: LagPlan,
) -> LagFractions:
    """One sequence's lag; adds its first frame after the beam to ``after``."""
    cells = Sketch(*reader.shape)
    where = "step_off"
    shots = frames_of([sequence])
    sketches = np.stack([cells.of(frame - dark) for frame in reader.frames(shots)])
    step = find_step(np.median(sketches, axis=(1, 2)), where)
    for frame in reader.frames(shots[step.first_off : step.first_off + 1]):
        after += frame
        after -= dark
    parts = _in_parts(sketches, plan.regions)
    samples = SAMPLES**2 * sketches[0].size / parts[0].size
    left_gv = max(float(parts[step.first_off].mean()), 0.0)
    variance = max(noise.offset + noise.slope * left_gv, 1 / 12)
    uncertain = 1.3 * float(np.sqrt(variance / samples))
    return measure_lag(parts, step, plan.fractions, uncertain, where)


def _in_parts(sketches: FloatArray, regions: tuple[int, int]) -> FloatArray:
    """Means of the cells in each part of the panel; no more parts than there are cells.

    The parts are equally large: a cell on the border of two counts in each by what lies there
    (so far off a part's middle that 1 % of a slope over the panel may go astray).
    """
    rows, columns = (_overlaps(*pair) for pair in zip(sketches.shape[1:], regions, strict=True))
    return np.asarray(rows @ sketches @ columns.T)


def _overlaps(cells: int, parts: int) -> FloatArray:
    """By how much each part of a side, (parts, cells), consists of each of its cells."""
    parts = min(parts, cells)
    ends = np.arange(parts + 1) * (cells / parts)
    first = np.arange(cells)
    shared = np.minimum(ends[1:, None], first + 1) - np.maximum(ends[:-1, None], first)
    return np.asarray(np.maximum(shared, 0) * (parts / cells))
