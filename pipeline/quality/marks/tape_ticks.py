"""Which marks are ticks of one tape, and which number each has: places in, numbers out.

Ticks are told from other marks by their neighbours at whole multiples of the spacing. Where such a
run breaks off (the tape is joined, the strip has a step) the numbers go on with the nearest whole
one, unless the long ticks say otherwise.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from pipeline.model import FloatArray

LEAST_TICKS = 5  # fewer marks in line may be chance
_LEAST_RUN = 3  # fewer in line are not believed, even beside a long run
_SKIP = 3  # so many spacings may lie between two ticks in line: two in between not seen
_SLACK = 0.15  # of the spacing: how far a neighbour may lie from a whole multiple of it
_TYPICAL = 0.05  # of the spacing: how far half of the neighbours may; by chance it would be 0.075
_LEAST_SHARE = 0.5  # of the marks, and of the places between the first and the last tick
_ALIKE = 0.5  # of the usual contrast: what is fainter is no tick
_BESIDE = 0.3  # of the spacing: how far a long tick's two bands may disagree about its place

Run = list[tuple[int, float]]
"""Marks in line: the index of each, and how far it lies from where the tape begins to be seen."""


@dataclass(frozen=True, slots=True)
class Ticks:
    """Ticks in the order of the tape: ``number`` (n,) counts from its beginning, ``s_mm`` (n,) from
    the datum, growing past a whole turn where the tape overlaps its beginning."""

    number: np.ndarray
    s_mm: FloatArray


@dataclass(frozen=True, slots=True)
class Lattice:
    """Where ticks should lie: ``spacing_mm`` on the surface from ``first_mm`` on.

    ``turn_mm`` is the circumference of a ring, None for an arc. Every ``long_every``-th tick
    reaches into a band of its own.
    """

    spacing_mm: float
    first_mm: float
    turn_mm: float | None
    long_every: int

    def away(self, s_mm: FloatArray) -> FloatArray:
        """How far places lie behind the tape's beginning; from half a spacing before it on, where
        that can't be told from a whole turn."""
        away = s_mm - self.first_mm
        if self.turn_mm is None:
            return away
        half = self.spacing_mm / 2
        return np.asarray((away + half) % self.turn_mm - half)


def number_ticks(
    s_mm: FloatArray, contrast: FloatArray, lattice: Lattice, long_s_mm: FloatArray | None = None
) -> Ticks | None:
    """The ticks among marks at ``s_mm`` (n,), ascending; None when they are no tape.

    ``long_s_mm`` are marks in the band of the long ticks: with them numbers are right as long as
    ticks lie less than half of ``long_every`` spacings from where they should, without them (None)
    half a spacing. Marks of less than half the usual contrast don't count, nor do those before the
    tape's beginning. Marks are no tape when fewer than 5 stand in line, when less than half of them
    or of the places between the first and the last tick are ticks, or when the distances are
    spread as by chance.
    """
    if not len(s_mm):
        return None
    marks = s_mm[contrast >= _ALIKE * float(np.median(contrast))]
    places = np.ptp(s_mm) / lattice.spacing_mm + 1
    crowd = _LEAST_SHARE * len(marks) > places + LEAST_TICKS
    ticks = None if crowd else _followed(marks, lattice, long_s_mm)
    if ticks is None:
        return None
    # Where the long ticks tell that the tape begins elsewhere, it is followed from there.
    off_mm = float(ticks.s_mm[0]) - lattice.first_mm - int(ticks.number[0]) * lattice.spacing_mm
    if abs(off_mm) > lattice.spacing_mm / 2:
        begun = replace(lattice, first_mm=lattice.first_mm + off_mm)
        ticks = _followed(marks, begun, long_s_mm) or ticks
    return ticks if _is_tape(ticks, len(marks), lattice.spacing_mm) else None


def _followed(marks: FloatArray, lattice: Lattice, long_s_mm: FloatArray | None) -> Ticks | None:
    """All marks in line, with their numbers; None when there are none."""
    places = _runs(marks, lattice)
    if not places:
        return None
    number = np.concatenate(_numbers(places, lattice, long_s_mm))
    at = np.concatenate(places)
    return Ticks(number[number >= 0], at[number >= 0]) if (number >= 0).any() else None


def _runs(marks: FloatArray, lattice: Lattice) -> list[FloatArray]:
    """The places (mm from the datum) of the runs along the tape, one behind the other."""
    away = np.sort(lattice.away(marks))
    half, turn = lattice.spacing_mm / 2, lattice.turn_mm
    begun = {k: _run_from(k, away, lattice, set()) for k in range(len(away))}
    whole = [k for k, run in begun.items() if len(run) >= _LEAST_RUN]
    if not whole:
        return []
    # Near the beginning lies the tape's end too: in line with fewer ticks, or less well.
    start = max(
        (k for k in whole if abs(away[k]) <= half),
        key=lambda k: (len(begun[k]), -_out_of_line(begun[k], lattice.spacing_mm)),
        default=whole[0],
    )
    runs: list[Run] = []
    used: set[int] = set()
    for k in [*range(start, len(away)), *range(start if turn is not None else 0)]:
        over = (turn or 0.0) if k < start else 0.0
        if runs and away[k] + over <= runs[-1][-1][1]:
            continue
        run = _run_from(k, away, lattice, used)
        if len(run) >= _LEAST_RUN:
            runs.append([(index, at + over) for index, at in run])
            used |= {index for index, _ in run}
    return [lattice.first_mm + np.array([at for _, at in run]) for run in runs]


def _run_from(start: int, away: FloatArray, lattice: Lattice, used: set[int]) -> Run:
    """The marks in line from one on, each the nearest in line after the one before; round a ring
    too, but none twice, nor any of ``used``. ``away`` ascends."""
    turn, spacing, count = lattice.turn_mm, lattice.spacing_mm, len(away)
    run: Run = [(start, float(away[start]))]
    gone = used | {start}
    for k in range(start + 1, count if turn is None else start + 2 * count):
        index, at = k % count, float(away[k % count]) + (turn or 0.0) * (k // count)
        steps = round((at - run[-1][1]) / spacing)
        if steps > _SKIP:
            break
        in_line = steps and abs(at - run[-1][1] - steps * spacing) <= _SLACK * spacing
        if in_line and index not in gone:
            run.append((index, at))
            gone.add(index)
    return run


def _out_of_line(run: Run, spacing_mm: float) -> float:
    """How far the second mark lies from a whole multiple of the spacing behind the first."""
    step = (run[1][1] - run[0][1]) / spacing_mm
    return abs(step - round(step))


def _numbers(
    places: list[FloatArray], lattice: Lattice, long_s_mm: FloatArray | None
) -> list[np.ndarray]:
    """The number of each tick, run by run: the nearest whole one, from run to run too; moved, with
    all behind it, to where most of the run's long ticks say."""
    spacing = lattice.spacing_mm
    numbers: list[np.ndarray] = []
    for at in places:
        if numbers:
            before = places[len(numbers) - 1][-1]
            first = int(numbers[-1][-1]) + max(1, round(float(at[0] - before) / spacing))
        else:
            first = round(float(at[0] - lattice.first_mm) / spacing)
        number = first + np.concatenate([[0], np.cumsum(np.rint(np.diff(at) / spacing))])
        number = number.astype(np.int64)
        if long_s_mm is not None:
            number -= _wrong_by(number[_is_long(at, long_s_mm, lattice)], lattice.long_every)
        numbers.append(number)
    return numbers


def _is_long(at: FloatArray, long_s_mm: FloatArray, lattice: Lattice) -> np.ndarray:
    apart = np.abs(at[:, np.newaxis] - long_s_mm)
    if lattice.turn_mm is not None:
        apart = np.minimum(apart % lattice.turn_mm, -apart % lattice.turn_mm)
    return np.asarray((apart <= _BESIDE * lattice.spacing_mm).any(axis=1))


def _wrong_by(long_number: np.ndarray, long_every: int) -> int:
    """By how much the numbers of long ticks are too high for most to be multiples; 0 if none is."""
    if not len(long_number):
        return 0
    rest = int(np.argmax(np.bincount(long_number % long_every, minlength=long_every)))
    return rest - long_every if rest > long_every // 2 else rest


def _is_tape(ticks: Ticks, marks: int, spacing_mm: float) -> bool:
    count = len(ticks.number)
    if count < LEAST_TICKS or count < _LEAST_SHARE * marks:
        return False
    steps = np.diff(ticks.number)
    if count < _LEAST_SHARE * (ticks.number[-1] - ticks.number[0] + 1):
        return False
    apart = np.abs(np.diff(ticks.s_mm) - steps * spacing_mm)
    return float(np.median(apart)) <= _TYPICAL * spacing_mm
