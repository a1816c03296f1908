"""Darks of different sets held against each other: pixels that misbehave only late, or only hot.

Each test is one of the classes of ASTM E2597 (see ``classify``), asked of the whole shift instead
of one set. What flats of different sets say about each other is in ``uniformity``.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from pipeline.calibration.classify import BadPixelLimits, classify_noisy
from pipeline.calibration.neighbourhood import smooth_background
from pipeline.calibration.product import NoiseModel
from pipeline.calibration.statistics import PixelStatistics
from pipeline.model import FloatImage

UNSTEADY_STD = 6.0
"""Standard deviations of a mean dark that noise alone never reaches in a panel's millions."""


def noisy_in_any(
    groups: Sequence[Sequence[PixelStatistics]], limits: BadPixelLimits
) -> NDArray[np.bool_]:
    """Pixels that are noisy in any set of darks, or over all sets of a group together.

    ``groups``: sets shot under like conditions (temperature, frame time), at least one with a set
    in it. Each set of two or more frames is judged by itself, against its own median, so that a
    pixel that is only noisy hot is found. The sets of a group are then judged as one sequence: a
    pixel whose dark steps from one set to the next scatters over the shift as a noisy one does
    within a second. The panel's common drift from set to set doesn't count: it is taken out as a
    smooth picture.
    """
    noisy = np.zeros(groups[0][0].mean.shape, np.bool_)
    for sets in groups:
        for one in sets:
            if one.frames > 1:
                noisy |= classify_noisy(one.variance, one.frames, limits)
        if len(sets) > 1:
            frames = sum(one.frames for one in sets)
            noisy |= classify_noisy(_variance_over_sets(sets), frames, limits)
    return noisy


def _variance_over_sets(sets: Sequence[PixelStatistics]) -> FloatImage:
    """Variance of one frame over all sets; the smooth part of what differs between them is out."""
    total = sum(one.frames for one in sets)
    mean = np.zeros_like(sets[0].mean)
    for one in sets:
        mean += one.mean * np.float32(one.frames / total)
    variance = np.zeros_like(mean)
    for one in sets:
        step = one.mean - mean
        step -= smooth_background(step)
        variance += one.variance * np.float32((one.frames - 1) / (total - 1))
        variance += step**2 * np.float32(one.frames / (total - 1))
    return variance


def unsteady_dark(
    groups: Sequence[Sequence[PixelStatistics]],
    frame_times_s: Sequence[float | None],
    noise: NoiseModel,
    signal_gv: float,
    limits: BadPixelLimits,
) -> NDArray[np.bool_]:
    """Pixels whose dark changes from set to set otherwise than their neighbours'; bool.

    ``groups`` as for ``noisy_in_any``, each with its frame time. Sets of one frame time are held
    against each other, at whatever temperature; with frame time a hot pixel's dark grows in
    proportion, which is no fault. Such a pixel fails as *non-uniform*: with the wrong one of these
    darks a corrected flat of ``signal_gv`` would deviate there by more than
    ``limits.non_uniform``. The smooth part of a change is the panel's.
    """
    by_time: dict[float | None, list[PixelStatistics]] = {}
    for sets, time_s in zip(groups, frame_times_s, strict=True):
        by_time.setdefault(time_s, []).extend(sets)
    unsteady = np.zeros(groups[0][0].mean.shape, np.bool_)
    for sets in by_time.values():
        if len(sets) > 1:
            unsteady |= _span(sets) > max(
                limits.non_uniform * signal_gv,
                UNSTEADY_STD * 2**0.5 * max(_noise_of_mean_gv(one, noise) for one in sets),
            )
    return unsteady


def _span(sets: Sequence[PixelStatistics]) -> FloatImage:
    """Greatest less least dark of each pixel, the smooth part of what changes left out (GV)."""
    least, most = np.zeros_like(sets[0].mean), np.zeros_like(sets[0].mean)
    for one in sets[1:]:
        change = one.mean - sets[0].mean
        change -= smooth_background(change)
        np.minimum(least, change, out=least)
        np.maximum(most, change, out=most)
    return most - least


def _noise_of_mean_gv(one: PixelStatistics, noise: NoiseModel) -> float:
    """Hot sets have more noise than the model's, which is that of the first set of darks."""
    return float(np.sqrt(max(noise.offset, float(np.median(one.variance))) / one.frames))
