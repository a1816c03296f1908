"""Every frame's overlaps compared with earlier ones, while views come by one at a time."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable, Iterator, Mapping, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass
from itertools import islice

import numpy as np

from pipeline.calibration.product import NoiseModel
from pipeline.model import FloatArray, StripGrid
from pipeline.stages.direction import Votes
from pipeline.stages.frame_order import OrderWatch
from pipeline.stages.matching import Link, compare
from pipeline.stages.own_pattern import pattern_variance
from pipeline.stages.pairing import Pair, choose_pairs, last_needed
from pipeline.stages.views import View

_TRACKED_SEARCH_MM = 1.5  # once the nearest frame has been matched
_RING_MISS = 0.05  # of the circumference: by how much a ring's ends may miss each other
_OTHER_METAL = 1.5  # searches: frames further apart can't show the same metal at the same place
_MOST_MOVED = 0.8  # of a frame's length: moved by more, frames hardly overlap


@dataclass(frozen=True, slots=True)
class Comparing:
    """How overlaps are compared; ``grid`` is the views', ``search_mm`` how wrong the encoder may be
    from one frame to the next, ``neighbours`` how many frames before are looked at."""

    grid: StripGrid
    circumference_mm: float
    ring: bool
    noise: NoiseModel
    axial_search_mm: float
    search_mm: float
    patch_px: int
    neighbours: int

    @property
    def span_mm(self) -> float:
        """How much of the surface a view shows."""
        return self.grid.columns * self.grid.pitch_mm

    def compare_all(
        self,
        views: Iterable[View],
        encoder_mm: FloatArray,
        pool: Executor,
    ) -> tuple[list[int], list[Link]]:
        """Every frame's index in the scan, and all compared pairs (by those indices)."""
        circumference = self.circumference_mm if self.ring else None
        pairs = choose_pairs(
            [float(p) for p in encoder_mm], self.span_mm, circumference, self.neighbours
        )
        until = last_needed(pairs)
        held: dict[int, View] = {}
        indices: list[int] = []
        links: list[Link] = []
        tracked = np.array(encoder_mm, dtype=np.float64)
        votes, order = Votes(), OrderWatch(len(encoder_mm))
        # What the panel itself shows is told from frames of different metal; the first frames have
        # none before them, so a few are made ahead.
        source = iter(views)
        ahead = self._frames_ahead(encoder_mm)
        begun = deque(islice(source, ahead + 1))
        for b, view in enumerate(_drained(begun, source)):
            indices.append(view.frame)
            held[b] = view
            if b > 0:
                tracked[b] = tracked[b - 1] + encoder_mm[b] - encoder_mm[b - 1]
            known = held if b >= ahead else held | {ahead: begun[-1]}
            other = self._other_metal(b, known, encoder_mm)
            pattern = None if other is None else pattern_variance(view, other)
            found = self._compare_with_earlier(pairs[b], held, tracked, pool, pattern)
            links += found
            order.see(b, view, found)
            if votes.in_doubt(found):
                votes.add(backwards=self._backwards(found[0], held, indices, encoder_mm))
            held = {k: view for k, view in held.items() if until[k] > b}
        order.require_order(
            indices,
            encoder_mm,
            margin_mm=self.search_mm,
            axial_mm=self.axial_search_mm,
            circumference_mm=circumference,
        )
        votes.require_forwards()
        return indices, links

    def _backwards(
        self, link: Link, held: Mapping[int, View], indices: list[int], encoder_mm: FloatArray
    ) -> bool:
        """Whether the two frames match if the carriage went the other way."""
        a, b = (indices.index(k) for k in (link.a, link.b))
        turned = compare(
            held[a],
            held[b],
            step_mm=float(encoder_mm[a] - encoder_mm[b]),
            search_mm=self.search_mm,
            axial_search_mm=self.axial_search_mm,
            patch_px=self.patch_px,
            noise=self.noise,
        )
        return turned.step_mm is not None and abs(turned.step_mm) > self.search_mm

    def _frames_ahead(self, encoder_mm: FloatArray) -> int:
        """How many frames after the first to make at once, so that each of these has one of other
        metal among them; no more than are held later on."""
        least = _OTHER_METAL * self.search_mm
        most = min(self.neighbours + 4, len(encoder_mm) - 1)
        for b in range(1, most):
            near = [a for a in range(b) if encoder_mm[a] - encoder_mm[0] <= least]
            if encoder_mm[b] - encoder_mm[near[-1]] > least:
                return b
        return max(most, 0)

    def _other_metal(
        self, b: int, known: Mapping[int, View], encoder_mm: FloatArray
    ) -> View | None:
        """The nearest frame that, however wrong the encoder is, shows other metal at the same place
        of the panel; None if none is known."""
        least = _OTHER_METAL * self.search_mm
        far = [a for a in known if abs(encoder_mm[b] - encoder_mm[a]) > least]
        return known[min(far, key=lambda a: abs(a - b))] if far else None

    def _compare_with_earlier(
        self,
        pairs: Sequence[Pair],
        held: dict[int, View],
        tracked: FloatArray,
        pool: Executor,
        pattern: float | None,
    ) -> list[Link]:
        """Compare one frame with its partners; the nearest first, since it narrows the search.

        Puts where the pictures say the frame is into ``tracked``.
        """

        def step_mm(pair: Pair) -> float:
            step = float(tracked[pair.b] - tracked[pair.a])
            return step - self.circumference_mm if pair.wraps else step

        def one(pair: Pair, search_mm: float, off_mm: float = 0.0) -> Link:
            return compare(
                held[pair.a],
                held[pair.b],
                step_mm=step_mm(pair) + off_mm,
                search_mm=search_mm,
                axial_search_mm=self.axial_search_mm,
                patch_px=self.patch_px,
                noise=self.noise,
                pattern=pattern,
            )

        def wide_if_need_be(pair: Pair, search_mm: float) -> Link:
            # Where the narrow search finds nothing the frame may have been misled: look everywhere,
            # so that a tie can contradict.
            link = one(pair, search_mm)
            wider = link.step_mm is None and search_mm < self.search_mm
            return one(pair, self.search_mm) if wider else link

        def over_datum(pair: Pair) -> Link:
            # A wrong diameter or stand-off makes the ends miss each other by far more than the
            # encoder does: look there too, so that the log can say by how much. Not where the
            # frames would lie on each other: what the panel itself shows always matches there.
            link = one(pair, self.search_mm)
            for off_mm in self._far_offsets_mm():
                if link.step_mm is not None:
                    break
                if abs(step_mm(pair) + off_mm) > self.search_mm:
                    further = one(pair, self.search_mm, off_mm)
                    link = link if further.step_mm is None else further
            return link

        links: list[Link] = []
        search = self.search_mm
        near = [pair for pair in pairs if not pair.wraps]
        while near:
            pair = near.pop(0)
            link = one(pair, search)
            links.append(link)
            if link.step_mm is not None:
                tracked[pair.b] = tracked[pair.a] + link.step_mm
                search = min(_TRACKED_SEARCH_MM, self.search_mm)
                break
        links += pool.map(lambda pair: wide_if_need_be(pair, search), near)
        wrapping = [pair for pair in pairs if pair.wraps]
        links += pool.map(over_datum, wrapping)
        return links

    def _far_offsets_mm(self) -> list[float]:
        """Where else the ends of a ring may meet: the nearest first, searches overlapping."""
        most = min(_RING_MISS * self.circumference_mm, _MOST_MOVED * self.span_mm)
        step = 1.5 * self.search_mm
        return [sign * step * k for k in range(1, 1 + int(most / step)) for sign in (1, -1)]


def _drained(first: deque[View], rest: Iterator[View]) -> Iterator[View]:
    """What stands in ``first``, which is emptied on the way, then the rest."""
    while first:
        yield first.popleft()
    yield from rest
