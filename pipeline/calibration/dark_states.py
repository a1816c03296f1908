"""The dark for a temperature and a frame time between those at which darks were shot.

Dark signal is an offset and a current: it grows in proportion to frame time, and the current
doubles every few degrees. So between two frame times at one temperature each pixel is interpolated
straight; between two temperatures along an exponential. How fast that grows is measured on the
panel as a whole, if there are darks at three temperatures, and taken for granted otherwise. Each
pixel keeps its own offset and its own current.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import pairwise

import numpy as np

from pipeline.calibration.product import CalibrationSet, DarkConditions
from pipeline.errors import CalibrationError
from pipeline.model import FloatArray, FloatImage

DOUBLING_C = 7.0
"""Degrees in which dark current doubles where it can't be measured; *from memory*."""

SAME_C = 0.5
SAME_TIME = 0.01
BEYOND_C = 2.0
"""So far past the coldest or warmest darks these are still taken as they are."""

_DOUBLINGS_C = np.geomspace(3.0, 300.0, 200)  # the last is as good as a straight line


def dark_at(
    calibration: CalibrationSet,
    temperature_c: float | None,
    frame_time_s: float | None,
    *,
    beyond: bool = False,
) -> FloatImage:
    """The mean dark (float32, GV, rows × columns) of a panel at that temperature and frame time.

    None stands for the conditions of the calibration's own ``dark``, as does everything for a
    calibration that has no other darks: nothing can be told from one. So does frame time where no
    darks differ in it, and temperature alike. With ``beyond``, conditions past the last darks are
    taken as those of these darks.

    Raises:
        CalibrationError: the darks don't reach that temperature (within 2 °C) or frame time, and
            ``beyond`` isn't set.
    """
    if not calibration.dark_states:
        return calibration.dark
    darks = (calibration.dark, *calibration.dark_states)
    told = (calibration.facts.dark_conditions, *calibration.facts.dark_states)
    # Means, not medians: only they grow as the pixels do.
    good = calibration.classes == 0
    means = [float(dark.mean(where=good, dtype=np.float64)) for dark in darks]
    if beyond:
        temperature_c = _within(temperature_c, [one.temperature_c for one in told])
        frame_time_s = _within(frame_time_s, [one.frame_time_s for one in told])
    try:
        weights = dark_weights(told, means, temperature_c, frame_time_s)
    except ValueError as error:
        raise CalibrationError(
            str(error),
            where=f"calibration {calibration.identity[:12]}",
            remedy="Use a calibration with darks on both sides of these conditions, or shoot them",
        ) from error
    result = np.zeros_like(calibration.dark)
    for index, weight in sorted(weights.items()):
        result += np.float32(weight) * darks[index]
    return result


def _within(value: float | None, known: Sequence[float | None]) -> float | None:
    """The value, or the end of what is known that it lies beyond."""
    ends = [one for one in known if one is not None]
    return value if value is None or not ends else min(max(value, min(ends)), max(ends))


def dark_weights(
    told: Sequence[DarkConditions],
    means_gv: Sequence[float],
    temperature_c: float | None,
    frame_time_s: float | None,
) -> dict[int, float]:
    """Which darks, by their place in ``told``, make the one wanted, and with which weight (sum 1).

    The first of ``told`` stands for what isn't told. ``means_gv``: the panel's mean in each.

    Raises:
        ValueError: the darks don't reach so far; says in which respect.
    """
    temperature = told[0].temperature_c if temperature_c is None else temperature_c
    time = told[0].frame_time_s if frame_time_s is None else frame_time_s
    groups = _by_temperature(told)
    at_time = {warm: _at_time(told, members, time) for warm, members in groups.items()}
    covering = {warm: weights for warm, weights in at_time.items() if weights}
    if not covering:
        times = sorted({one.frame_time_s for one in told if one.frame_time_s is not None})
        raise ValueError(
            f"no darks for a frame time of {time:g} s: they were shot at "
            f"{', '.join(f'{one:g}' for one in times)} s"
        )
    if temperature is None or None in covering:
        return next(iter(covering.values()))
    warmths = sorted(warm for warm in covering if warm is not None)
    near = min(warmths, key=lambda warm: abs(warm - temperature))
    outside = not warmths[0] <= temperature <= warmths[-1]
    if abs(near - temperature) <= (BEYOND_C if outside else SAME_C):
        return covering[near]
    if outside:
        raise ValueError(
            f"no darks for {temperature:g} °C: they were shot at "
            f"{', '.join(f'{one:g}' for one in warmths)} °C"
        )
    warmer = next(k for k, warm in enumerate(warmths) if warm > temperature)
    low, high = warmths[warmer - 1], warmths[warmer]
    levels = [_combined(covering[warm], means_gv) for warm in warmths]
    share = _growth(np.array(warmths), np.array(levels), low, high, temperature)
    return _mixed((1 - share, covering[low]), (share, covering[high]))


def _by_temperature(told: Sequence[DarkConditions]) -> dict[float | None, list[int]]:
    """Indices of the darks of each temperature, those within half a degree together."""
    groups: dict[float | None, list[int]] = {}
    for index, one in enumerate(told):
        same = one.temperature_c
        if same is not None:
            near = [warm for warm in groups if warm is not None and abs(warm - same) <= SAME_C]
            same = near[0] if near else same
        groups.setdefault(same, []).append(index)
    return groups


def _at_time(
    told: Sequence[DarkConditions], members: Sequence[int], time: float | None
) -> dict[int, float]:
    """Weights of one temperature's darks for a frame time; none when they don't reach it."""
    known = [(one, index) for index in members if (one := told[index].frame_time_s) is not None]
    if time is None or not known:
        return {members[0]: 1.0}
    known.sort()
    for one, index in known:
        if abs(one - time) <= SAME_TIME * time:
            return {index: 1.0}
    for (short, first), (long, second) in pairwise(known):
        if short < time < long:
            share = (time - short) / (long - short)
            return {first: 1 - share, second: share}
    return {}


def _growth(
    warmths: FloatArray, levels: FloatArray, low: float, high: float, wanted: float
) -> float:
    """How far from ``low`` (0) to ``high`` (1) the dark has grown at a temperature between."""
    doubling = DOUBLING_C
    if len(warmths) > 2:
        doubling = min(_DOUBLINGS_C, key=lambda one: _misfit(warmths, levels, float(one)))
    rise = 2 ** ((high - low) / doubling) - 1
    return float((2 ** ((wanted - low) / doubling) - 1) / rise)


def _misfit(warmths: FloatArray, levels: FloatArray, doubling_c: float) -> float:
    """How badly ``offset + current · 2^(T/doubling)`` describes the panel's mean darks."""
    current = 2 ** ((warmths - warmths[-1]) / doubling_c)
    matrix = np.stack([np.ones_like(current), current], axis=1)
    solved = np.linalg.lstsq(matrix, levels, rcond=None)[0]
    return float(np.sum((matrix @ solved - levels) ** 2))


def _combined(weights: Mapping[int, float], values: Sequence[float]) -> float:
    return sum(weight * values[index] for index, weight in weights.items())


def _mixed(*parts: tuple[float, Mapping[int, float]]) -> dict[int, float]:
    """The weights of several darks, each made from others."""
    mixed: dict[int, float] = {}
    for share, weights in parts:
        for index, weight in weights.items():
            mixed[index] = mixed.get(index, 0.0) + share * weight
    return mixed
