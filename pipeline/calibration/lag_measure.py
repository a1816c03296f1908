"""How much of a frame is still seen in the ones after it, from a sequence in which the beam ends.

The panel shows of every exposure e a fraction f₁ in the next frame, f₂ in the one after it, …:

    y_n = e_n + f₁·e_(n−1) + f₂·e_(n−2) + …

After the beam has ended all e are 0 and each frame is a plain sum of what came before, so the
fractions follow one by one. The frame during which the beam ends may hold any part of an exposure.
The same model as ``stages/lag.py`` undoes.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.errors import CalibrationError
from pipeline.model import FloatArray

ON_LEVEL = 0.8
OFF_LEVEL = 0.15
"""A frame with at least 0.8 of the brightest frame's signal counts as lit, one with less than 0.15
as dark; at most one between them, in which the beam ended. (A beam that ends within the first
tenth of a frame can't be told from lag.) Common practice, no source."""

TAIL_FRAMES = 8
"""With so many dark frames beyond those that are needed, the last half of them tells the panel's
zero, which drifts, better than darks shot at another time."""

LEAST_FRAMES = 2

LEAST_FRACTION = 1e-4
"""Last fractions below this are left out: a tenth of a per mille is no lag anyone could see."""

_ROUNDS = 50


@dataclass(frozen=True, slots=True)
class StepOff:
    """Where in a sequence the beam ends: lit frames before ``last_on`` (inclusive), ``first_off``
    the first one without any exposure."""

    last_on: int
    first_off: int


@dataclass(frozen=True, slots=True)
class LagFractions:
    """``fractions``: of the panel, f₁ first; ``first_frame`` and ``second_frame``: what the first
    and second frame after a long exposure show, relative to it (the usual way of stating lag);
    ``regions``: ``first_frame`` of each part of the panel (rows, columns), ``regions_sigma`` the
    standard deviation of each of these."""

    fractions: tuple[float, ...]
    first_frame: float
    second_frame: float
    regions: FloatArray
    regions_sigma: float


def find_step(levels: FloatArray, where: str) -> StepOff:
    """Where the beam ends in a sequence whose frames have these signals (GV above dark).

    Raises:
        CalibrationError: the beam is not on first and off then, or too few frames are dark.
    """
    top = float(levels.max()) if len(levels) else 0.0
    on = levels >= ON_LEVEL * top
    off = levels <= OFF_LEVEL * top
    step = _transition(on, off) if top > 0 else None
    if step is None:
        shown = ", ".join(f"{level:.0f}" for level in levels[:12])
        raise CalibrationError(
            f"the beam doesn't end once and for all (signals {shown} GV)",
            where=where,
            expected="lit frames first, then dark ones, in the order in which they were shot",
            remedy="Check that the names of the files sort as they were shot (as text 10 comes "
            "before 9: write 09), and that the beam was switched off only once",
        )
    lit, dark = step.last_on + 1, len(levels) - step.first_off
    if min(lit, dark) < LEAST_FRAMES:
        raise CalibrationError(
            f"{lit} lit and {dark} dark frames",
            where=where,
            expected=f"at least {LEAST_FRAMES} of each, better eight",
            remedy="Shoot a longer sequence",
        )
    return step


def _transition(on: np.ndarray, off: np.ndarray) -> StepOff | None:
    last = int(np.flatnonzero(on).max())
    first = last + 1 if last + 1 < len(off) and off[last + 1] else last + 2
    if first >= len(off) or not on[: last + 1].all() or not off[first:].all():
        return None
    return StepOff(last, first)


def measure_lag(
    signals: FloatArray, step: StepOff, fractions: int, noise_gv: float, where: str
) -> LagFractions:
    """The fractions from each frame's signal in each part of the panel.

    As many as ``fractions``, but not more than there are lit frames or dark ones: the last then
    stands for all that come after it. Last ones below ``LEAST_FRACTION`` are left out.
    ``signals``: (frame, part row, part column), GV above dark. ``noise_gv``: how far one of them
    may be off by noise. Before the first frame the panel is taken as lit like in it.

    Raises:
        CalibrationError: a fraction comes out negative beyond noise, or all too large.
    """
    fractions = min(fractions, step.last_on + 1, len(signals) - step.first_off)
    signals, spare = _zeroed(signals, step, fractions)
    _, down, across = signals.shape
    whole = signals.mean(axis=(1, 2))
    found = _solve(whole, step, fractions)
    floor = 5 * noise_gv / float(whole[step.last_on])
    if found.min() < -max(floor, 1e-4) or found.sum() >= 0.5:
        raise CalibrationError(
            f"lag comes out as {', '.join(f'{100 * one:.2f} %' for one in found)}",
            where=where,
            expected="fractions of 0 or more, together under 50 %",
            remedy="Check that the darks fit the sequence (temperature, frame time) and that "
            "nothing else changed when the beam ended",
        )
    parts = [
        [_after_long(_solve(signals[:, row, column], step, fractions)) for column in range(across)]
        for row in range(down)
    ]
    seen = max(int(np.flatnonzero(found >= LEAST_FRACTION).max(initial=0)) + 1, 1)
    return LagFractions(
        tuple(float(max(one, 0.0)) for one in found[:seen]),
        _after_long(found),
        _after_long(found, 1),
        np.array(parts),
        # What the first dark frame shows, above the zero: the lit one's own noise is a fraction.
        noise_gv * float(np.sqrt(1 + (1 / spare if spare else 0))) / float(whole[step.last_on]),
    )


def _after_long(fractions: FloatArray, frames: int = 0) -> float:
    """What is left of a long exposure, ``frames`` after the first dark one, relative to it."""
    return float(fractions[frames:].sum() / (1 + fractions.sum()))


def _zeroed(signals: FloatArray, step: StepOff, fractions: int) -> tuple[FloatArray, int]:
    """The signals above the panel's zero as the end of the sequence shows it, if it is long.

    With the number of frames that told the zero.
    """
    spare = signals[step.first_off + fractions :]
    if len(spare) < TAIL_FRAMES:
        return signals, 0
    end = spare[len(spare) // 2 :]
    return np.asarray(signals - end.mean(axis=0)), len(end)


def _solve(level: FloatArray, step: StepOff, fractions: int) -> FloatArray:
    """f₁, f₂, … so that the dark frames are what the exposures before them leave."""
    found = np.zeros(fractions)
    for _ in range(_ROUNDS):
        exposure = _exposures(level[: step.first_off], found)
        rows = [
            [_at(exposure, step.first_off + k - i) for i in range(1, fractions + 1)]
            for k in range(fractions)
        ]
        seen = level[step.first_off : step.first_off + fractions]
        solved = np.linalg.solve(np.array(rows), seen)
        done = bool(np.abs(solved - found).max() < 1e-12)
        found = solved
        if done or np.abs(found).sum() >= 0.5:
            break
    return found


def _exposures(level: Sequence[float] | FloatArray, fractions: FloatArray) -> list[float]:
    """What fell on the panel in each frame before the beam ended; lit alike before the first."""
    before = float(level[0]) / (1 + float(fractions.sum()))
    exposure: list[float] = []
    for n, shown in enumerate(level):
        left = sum(
            f * (exposure[n - i] if n >= i else before) for i, f in enumerate(fractions, start=1)
        )
        exposure.append(float(shown) - left)
    return exposure


def _at(exposure: list[float], n: int) -> float:
    """The exposure of frame ``n``; none after the beam has ended."""
    return exposure[n] if n < len(exposure) else 0.0
