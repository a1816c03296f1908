"""Whether pictures and positions were put together in the wrong order: told by the pictures."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from pipeline.errors import FrameError
from pipeline.model import FloatArray
from pipeline.stages.likeness import Likeness, find_likenesses, sketch_of, sketch_pitch_mm
from pipeline.stages.matching import Link
from pipeline.stages.views import View

_LEAST_WRONG = 3  # frames on the wrong side of another: fewer are single ones in a wrong place
_MOST_KEPT = 120  # frames: of a longer scan every second, third … is kept
_AGREE_PX = 3.0  # two ways from one frame to another that end so close say the same
_AGREE_ROUND = 0.02  # of a ring, and of its length: it needn't close with the geometry as told
_CLEAR = 0.5  # of the clearest likeness of a picture: what counts beside it
_MOSTLY = 0.8  # of the likenesses that must fit one row of pictures
_WHOLE = 0.5  # of the frames that must hang together
_OUT_OF_PLACE = 0.2  # of the frames, before the order as a whole is called wrong
_SHORT_WAY = 0.4  # of a ring: what lies further off is as much before as behind
_MISSING = 4  # rows at the end that may have been left out
_SHOWN = 8
_AS_TEXT = "the files were sorted by name as text (1, 10, 11, …, 2, 20, …)"


@dataclass(slots=True)
class OrderWatch:
    """Keeps a sketch of each of ``frames`` frames (of at most _MOST_KEPT), to find the order in
    which the pictures fit, should neighbours differ."""

    frames: int
    differing: int = 0
    pixel_mm: float = 1.0
    sketches: dict[int, np.ndarray] = field(default_factory=dict)

    def see(self, number: int, view: View, links: Sequence[Link]) -> None:
        """Note frame ``number`` (in scan order), its ``links`` with earlier ones nearest first."""
        if number % math.ceil(self.frames / _MOST_KEPT) == 0:
            self.sketches[number] = sketch_of(view)
            self.pixel_mm = sketch_pitch_mm(view)
        self.differing += bool(links) and links[0].differs

    def require_order(
        self,
        rows: Sequence[int],
        position_mm: FloatArray,
        *,
        margin_mm: float,
        axial_mm: float,
        circumference_mm: float | None,
    ) -> None:
        """Refuse a scan whose pictures fit each other well, but not in the order of its positions.

        ``rows`` (from 0, in the table) and ``position_mm`` are the frames', in scan order; frames
        out of order by less than ``margin_mm`` are nothing odd; ``axial_mm`` is how far frames may
        be shifted along the pipe. A scan that runs backwards as a whole is left to ``Votes``.

        Raises:
            FrameError: the order is that of numbers sorted as text, or at least three frames and a
                fifth of all would have to go so that the rest is in order.
        """
        kept = sorted(self.sketches)
        if not self.differing or len(kept) <= _LEAST_WRONG:
            return
        likenesses = find_likenesses(
            [self.sketches[k] for k in kept], math.ceil(axial_mm / self.pixel_mm)
        )
        turn = None if circumference_mm is None else circumference_mm / self.pixel_mm
        group, place = fit_together(len(kept), likenesses, turn)
        if len(group) < _WHOLE * len(kept):
            return
        told = position_mm[[kept[k] for k in group]]
        # Only their order is in question here: they may be in another unit.
        told = told * (np.ptp(place) / max(float(np.ptp(told)), 1e-9))
        near = margin_mm / self.pixel_mm
        wrong = in_wrong_order(told, place, near, turn)
        forwards = np.argsort(place if turn is None else (place - place[0]) % turn, kind="stable")
        mine = np.array([rows[kept[k]] for k in group])
        if wrong.any(axis=1).sum() < _LEAST_WRONG or runs_backwards(forwards):
            return
        numbers = numbers_sorted_as_text(mine, place, near, turn)
        if numbers is not None:
            forwards = np.argsort(numbers)
        elif fewest_out_of_place(wrong) < max(_OUT_OF_PLACE * len(group), _LEAST_WRONG):
            return
        names = mine[forwards] + 1
        more = ", …" if len(names) > _SHOWN else ""
        raise FrameError(
            "pictures and positions don't belong together: by what they show, the frames follow "
            "each other as in rows "
            f"{', '.join(str(name) for name in names[:_SHOWN])}{more} of the frame table"
            + ("" if numbers is None else f", as when {_AS_TEXT}"),
            expected="in each row the file that was shot at the row's position_mm",
            remedy="Write the frame table anew, the files in the order in which they were shot: by "
            "their numbers or their times, not by their names as text",
        )


def fit_together(
    count: int, likenesses: Sequence[Likeness], turn: float | None
) -> tuple[list[int], FloatArray]:
    """The largest group of pictures that hang together, and where each lies, in pixels.

    Likenesses half as clear as each picture's clearest count: gauges and marks of lead of one kind
    look alike too. The clearest join the pictures to a tree (Kruskal's); the others must say the
    same, whole turns of a ring aside. None, if they don't.
    """
    clearest = np.zeros(count)
    for like in likenesses:
        for k in (like.a, like.b):
            clearest[k] = max(clearest[k], like.sigmas)
    likenesses = [k for k in likenesses if k.sigmas >= _CLEAR * min(clearest[k.a], clearest[k.b])]
    group, place = np.arange(count), np.zeros(count)
    for like in sorted(likenesses, key=lambda k: (-k.sigmas, k.a, k.b)):
        one, other = group[like.a], group[like.b]
        if one != other:
            moved = group == other
            place[moved] += place[like.a] + like.step_px - place[like.b]
            group[moved] = one
    largest = int(np.bincount(group, minlength=count).argmax())
    said = [like for like in likenesses if group[like.a] == largest]
    off = np.array([place[k.b] - place[k.a] - k.step_px for k in said])
    agree = np.abs(off) <= _AGREE_PX
    if turn is not None:
        agree |= np.abs(np.abs(off) - turn) <= _AGREE_ROUND * turn
    members = np.flatnonzero(group == largest)
    if not said or agree.mean() < _MOSTLY:
        members = members[:0]
    return [int(k) for k in members], place[members]


def in_wrong_order(
    told: FloatArray, place: FloatArray, margin: float, turn: float | None
) -> np.ndarray:
    """(n, n): which pictures lie, by more than ``margin``, on the other side of which than their
    told positions say; round a ring only near ones count."""
    said, true = (np.subtract.outer(where, where) for where in (told, place))
    near = np.ones(said.shape, dtype=bool)
    if turn is not None:
        said, true = (way - turn * np.rint(way / turn) for way in (said, true))
        near = (np.abs(said) < _SHORT_WAY * turn) & (np.abs(true) < _SHORT_WAY * turn)
    return np.asarray(near & (said * true < 0) & (np.abs(true) > margin))


def fewest_out_of_place(wrong: np.ndarray) -> int:
    """How many pictures must be taken away, the most contradicting one first, so that the rest is
    in order; ``wrong`` as from ``in_wrong_order``."""
    left, taken = wrong.copy(), 0
    while left.any():
        worst = int(left.sum(axis=1).argmax())
        left[worst] = left[:, worst] = False
        taken += 1
    return taken


def runs_backwards(forwards: np.ndarray) -> bool:
    """Whether most pictures are followed by the one before them in the table."""
    return bool((np.diff(forwards) < 0).mean() > _MOSTLY)


def numbers_sorted_as_text(
    rows: np.ndarray, place: FloatArray, margin: float, turn: float | None
) -> np.ndarray | None:
    """The pictures' numbers in the order in which they were shot (from 0), if they fit where the
    files behind the table's ``rows`` (from 0; some may be missing) had such numbers in their names
    and were sorted by them as text; None if they don't.

    The first name's number isn't known, nor how many rows after the last one were left out.
    """
    counts = range(int(rows.max()) + 1, int(rows.max()) + 2 + _MISSING)
    if not in_wrong_order(rows * (np.ptp(place) / counts[0]), place, margin, turn).any():
        return None  # the files are in order: the positions aren't
    for count in counts:
        step = (float(np.ptp(place)) if turn is None else turn) / count
        tried = {tuple(range(count))}
        for first in range(2 * count):
            numbers = tuple(sorted(range(count), key=lambda k: str(first + k)))
            if numbers in tried:
                continue
            tried.add(numbers)
            mine: np.ndarray = np.array(numbers)[rows]
            if not in_wrong_order(step * mine, place, margin, turn).any():
                return mine
    return None
