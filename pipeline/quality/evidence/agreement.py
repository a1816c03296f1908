"""Whether two strips that look alike show the same metal, judged place by place.

Two welds of a kind share much: gauges, marks, the panel's own pattern. That makes them alike in a
few places. What shows the same metal is alike in most places, or in many one after the other: so
many that chance doesn't make them, however many pairs, turns and flips were tried. How alike
strangers are is told by the same two strips at turns where they can't belong together.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.stats import binom

from pipeline.model import FloatArray, FloatImage
from pipeline.quality.evidence.fingerprint import BANDS, PITCH_MM, Bools, Fingerprint
from pipeline.quality.evidence.search import Candidate

CHANCE = 0.01
"""Share of a stranger's places that count as alike."""

_PLACES = 24  # round a small pipe; on larger ones more, of the longest kind
_SHORTEST_MM, _LONGEST_MM = 16.0, 48.0  # places
_STEP_MM = 0.5
_SLACK_MM = 4.0  # a place may lie off by so much: the turn is roughly known, strips stretch
_STRANGE_TURNS = 32
_FARTHEST = 0.9  # of a turn, over which strange turns are spread
_LEAST_ALIKE = 0.5  # correlation; strangers seldom reach it, and few of their places tell that
_FEWEST = 4  # places; fewer never show that two are one
_EXPECTED = 1e-6  # so many pairs of strangers may pass in the whole search
_REACH = 8  # samples to each side, of the running mean
_LEAST_KNOWN = 0.75  # of a place


@dataclass(frozen=True, slots=True)
class Agreement:
    """Of ``places`` that both strips show, ``alike`` are; ``run`` of them one after the other.

    ``usual`` is the median correlation over the places, ``strange`` the one that ``CHANCE`` of the
    places reach at turns that can't be right. The places alike lie between ``first_mm`` and
    ``last_mm`` on the first strip; a place is ``place_mm`` long.
    """

    places: int
    alike: int
    run: int
    usual: float
    strange: float
    first_mm: float
    last_mm: float
    place_mm: float

    def by_chance(self, tries: float) -> float:
        """How many pairs of strangers would agree as well by chance, after so many tries (pairs,
        turns and flips)."""
        tail = float(binom.sf(self.alike - 1, self.places, CHANCE)) if self.places else 1.0
        in_a_row = self.places * CHANCE**self.run
        return tries * min(tail, in_a_row, 1.0)

    def same_metal(self, tries: float) -> bool:
        """Whether so many places can't be alike by chance, nor by gauges and marks in common."""
        return self.by_chance(tries) <= _EXPECTED


def agree(one: Fingerprint, other: Fingerprint, candidate: Candidate) -> Agreement:
    """How the two agree where the candidate lays the second on the first."""
    laid, known = _laid_on(one, other, candidate)
    steps = round(PITCH_MM / _STEP_MM)
    length_mm = one.circumference_mm / _PLACES
    size = round(min(max(length_mm, _SHORTEST_MM), _LONGEST_MM) / PITCH_MM)
    mine, seen = _places(_fast(one.profile), size), one.known[: one.known.size // size * size]
    right, both = _best(mine, seen.reshape(-1, size), laid, known, 0, steps, size)
    whole = laid.shape[1]
    # Most candidates of many welds are none at a glance; strange turns needn't be looked at then.
    hopeful = int((both & (right > _LEAST_ALIKE)).sum()) >= _FEWEST
    turns = np.linspace(0.5 * (1 - _FARTHEST), 0.5 * (1 + _FARTHEST), _STRANGE_TURNS) * whole
    strange: list[float] = []
    for turn in turns if hopeful else ():
        wrong, shown = _best(mine, seen.reshape(-1, size), laid, known, int(turn), steps, size)
        strange += wrong[shown].tolist()
    limit = max(float(np.quantile(strange, 1 - CHANCE)) if strange else 1.0, _LEAST_ALIKE)
    alike = both & (right > limit)
    places = np.flatnonzero(alike)
    return Agreement(
        places=int(both.sum()),
        alike=int(alike.sum()),
        run=_longest_run(alike, ring=one.ring),
        usual=float(np.median(right[both])) if both.any() else 0.0,
        strange=limit,
        first_mm=float(places[0]) * size * PITCH_MM if places.size else 0.0,
        last_mm=float(places[-1] + 1) * size * PITCH_MM if places.size else 0.0,
        place_mm=size * PITCH_MM,
    )


def _laid_on(one: Fingerprint, other: Fingerprint, way: Candidate) -> tuple[FloatArray, Bools]:
    """The second's profile every ``_STEP_MM`` of the first's turn, and where it is known."""
    s_mm = np.arange(round(way.turn_mm / _STEP_MM)) * _STEP_MM
    sign = -1 if way.reversed_along else 1
    at = (sign * (s_mm - way.shift_mm)) % way.turn_mm / way.scale / PITCH_MM
    profile = _fast(other.profile[::-1] if way.reversed_across else other.profile)
    count = profile.shape[1]
    period = count if other.ring and way.scale * count * PITCH_MM > way.turn_mm - 1 else None
    grid = np.arange(count)
    laid = np.stack([np.interp(at, grid, row, period=period) for row in profile])
    inside = np.ones(at.size, dtype=np.bool_) if period else at < count
    nearest = np.rint(at).astype(np.int64)
    nearest = nearest % count if period else np.minimum(nearest, count - 1)
    return laid, inside & other.known[nearest]


def _fast(profile: FloatImage) -> FloatArray:
    """The profile less its running mean: in one place slower ups and downs are few, and
    strangers are alike in them too easily."""
    window = np.ones(2 * _REACH + 1) / (2 * _REACH + 1)
    padded = np.pad(profile, ((0, 0), (_REACH, _REACH)), mode="edge")
    slow = np.stack([np.convolve(row, window, mode="valid") for row in padded])
    return np.asarray(profile - slow)


def _places(profile: FloatArray, size: int) -> FloatArray:
    """(places, BANDS · size), each with mean 0 and length 1."""
    count = profile.shape[1] // size
    cut = profile[:, : count * size].reshape(BANDS, count, size)
    return _normal(cut.transpose(1, 0, 2))


def _normal(cut: FloatArray) -> FloatArray:
    flat = cut.reshape(len(cut), -1).astype(np.float64)
    flat = flat - flat.mean(axis=1, keepdims=True)
    return np.asarray(flat / np.maximum(np.linalg.norm(flat, axis=1, keepdims=True), 1e-12))


def _best(
    mine: FloatArray,
    seen: Bools,
    laid: FloatArray,
    known: Bools,
    turn: int,
    steps: int,
    size: int,
) -> tuple[FloatArray, Bools]:
    """Each place's best correlation within the slack, and whether both show it."""
    best = np.full(len(mine), -1.0)
    slack = round(_SLACK_MM / _STEP_MM)
    base = np.arange(len(mine) * size) * steps + turn
    for off in range(-slack, slack + 1):
        at = (base + off) % laid.shape[1]
        cut = laid[:, at].reshape(BANDS, len(mine), size).transpose(1, 0, 2)
        best = np.maximum(best, np.sum(mine * _normal(cut), axis=1))
    shown = known[base % laid.shape[1]].reshape(-1, size)
    return best, (shown & seen).mean(axis=1) >= _LEAST_KNOWN


def _longest_run(alike: Bools, *, ring: bool) -> int:
    """The most places one after the other; round a ring also past its end."""
    longest = now = 0
    for one in (*alike, *(alike if ring else ())):
        now = now + 1 if one else 0
        longest = max(longest, now)
    return min(longest, len(alike))
