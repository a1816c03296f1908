"""Registration: one placement of all frames from what their overlaps show."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass, replace
from typing import Annotated, ClassVar

import numpy as np
from pydantic import Field

from pipeline.calibration.product import CalibrationKind, NoiseModel
from pipeline.geometry import Arrangement, Panel, ScanGeometry
from pipeline.model import FloatArray, Frame, Placement, StripGrid
from pipeline.stages.adjustment import Adjustment, Priors, adjust
from pipeline.stages.base import Shape, parameters
from pipeline.stages.distortion import Distortion
from pipeline.stages.levels import solve_levels
from pipeline.stages.matching import Link, Ties, compare
from pipeline.stages.pairing import Pair, choose_pairs, last_needed
from pipeline.stages.views import View, make_view

_TRACKED_SEARCH_MM = 1.5  # once the nearest frame has been matched
_AXIAL_SEARCH_SIGMAS = 2.0
_FEW_TIES = 3
_MOSTLY_WRONG = 0.7  # part of a frame's ties that are wrong before the frame itself is called so


@dataclass(frozen=True, slots=True)
class ScanSetup:
    """How the scan was shot, as far as it is known before its frames are compared."""

    geometry: ScanGeometry
    panel: Panel
    distortion: Distortion
    view_grid: StripGrid
    noise: NoiseModel
    priors: Priors
    ring: bool
    usual_level_gv: float


@dataclass(frozen=True, slots=True)
class Registered:
    """The placement, the refined geometry, and what the overlaps said.

    Frames are numbered as in ``placement``; ``misplaced`` tells the index (in the scan) and reason
    of each frame whose content contradicts its place; ``unlinked`` the frames (numbers) that only
    the encoder ties to the one before; ``level_misfit`` each tie's disagreement in level.
    """

    placement: Placement
    adjustment: Adjustment
    ties: Ties
    links: tuple[Link, ...]
    level_misfit: FloatArray
    misplaced: dict[int, str]
    unlinked: tuple[int, ...]


@parameters
class Registration:
    """Find every overlap's shift with its uncertainty; solve all positions and levels at once."""

    name: ClassVar[str] = "registration"
    shape: ClassVar[Shape] = Shape.PLACE
    needs: ClassVar[tuple[CalibrationKind, ...]] = (CalibrationKind.NOISE,)
    after: ClassVar[tuple[str, ...]] = ("distortion",)

    patch_px: Annotated[int, Field(ge=48, le=1024)] = 256
    """Side of the square patches whose shifts are measured, in strip pixels."""
    search_mm: Annotated[float, Field(gt=0, le=50)] = 6.0
    """How far an encoder step may be wrong."""
    neighbours: Annotated[int, Field(ge=1, le=8)] = 2
    """How many frames before are compared with each frame, beside the spaced-out ones."""
    refine_source: bool = True
    """Solve where the source stands off the pipe's axis."""
    refine_roll: bool = True
    """Solve the panel's roll about its own normal."""
    min_level: Annotated[float, Field(gt=0, lt=1)] = 0.85
    """A frame darker than this part of the scan's median level is left out (tube ramping up)."""
    max_saturated: Annotated[float, Field(ge=0, le=1)] = 0.02
    """A frame with more than this part of its pixels saturated is left out."""

    def view(self, frame: Frame, setup: ScanSetup) -> View:
        """A corrected frame as the comparison sees it."""
        # A quarter of the usual level: lead figures stay dark without drowning the rest.
        return make_view(
            frame,
            setup.geometry,
            setup.panel,
            setup.distortion,
            setup.view_grid,
            floor=0.25 * setup.usual_level_gv,
        )

    def place(
        self,
        views: Iterable[View],
        encoder_mm: FloatArray,
        setup: ScanSetup,
        pool: Executor,
    ) -> Registered:
        """Place the frames, given as views in the order of ``encoder_mm`` (from the datum).

        Holds views of few frames at once (see ``choose_pairs``).
        """
        indices, links = self._compare_all(views, encoder_mm, setup, pool)
        used = np.arange(len(indices))
        ties = Ties.join([link.ties for link in links])
        number = {index: k for k, index in enumerate(indices)}
        ties = _numbered(ties, number)
        misplaced: dict[int, str] = {}
        while True:
            kept = _between(ties, used)
            solved = adjust(
                kept,
                encoder_mm[used],
                setup.geometry,
                setup.panel,
                self._priors(setup),
                ring=setup.ring,
                pitch_mm=setup.view_grid.pitch_mm,
            )
            wrong = _strangers(kept, used, links, number) or _contradicting(kept, solved)
            if not wrong or len(used) - len(wrong) < 2:
                break
            for k, reason in wrong.items():
                misplaced[indices[used[k]]] = reason
            used = np.array([f for k, f in enumerate(used) if k not in wrong])
        right = kept.take(~solved.rejected)
        level, misfit = solve_levels(
            right,
            len(used),
            solved.position_mm,
            solved.geometry,
            replace(setup.geometry, source_x_mm=0.0, source_y_mm=0.0),
        )
        placement = Placement(
            np.array([indices[f] for f in used], dtype=np.int64),
            solved.position_mm,
            solved.sigma_mm,
            solved.axial_mm,
            level,
        )
        return Registered(
            placement,
            solved,
            right,
            tuple(links),
            misfit,
            misplaced,
            _unlinked(right, len(used), solved.wraps[~solved.rejected]),
        )

    def _priors(self, setup: ScanSetup) -> Priors:
        told = setup.priors
        inside = setup.geometry.arrangement is Arrangement.PANORAMIC
        return replace(
            told,
            source_sigma_mm=told.source_sigma_mm if self.refine_source and inside else 0.0,
            roll_sigma_rad=told.roll_sigma_rad if self.refine_roll else 0.0,
        )

    def _compare_all(
        self,
        views: Iterable[View],
        encoder_mm: FloatArray,
        setup: ScanSetup,
        pool: Executor,
    ) -> tuple[list[int], list[Link]]:
        """Every frame's index in the scan, and all compared pairs (by those indices)."""
        grid = setup.view_grid
        span = grid.columns * grid.pitch_mm
        circumference = setup.geometry.circumference_mm if setup.ring else None
        pairs = choose_pairs([float(p) for p in encoder_mm], span, circumference, self.neighbours)
        until = last_needed(pairs)
        held: dict[int, View] = {}
        indices: list[int] = []
        links: list[Link] = []
        tracked = np.array(encoder_mm, dtype=np.float64)
        for b, view in enumerate(views):
            indices.append(view.frame)
            held[b] = view
            if b > 0:
                tracked[b] = tracked[b - 1] + encoder_mm[b] - encoder_mm[b - 1]
            found = self._compare_with_earlier(pairs[b], held, tracked, setup, pool)
            links += found
            held = {k: view for k, view in held.items() if until[k] > b}
        return indices, links

    def _compare_with_earlier(
        self,
        pairs: Sequence[Pair],
        held: dict[int, View],
        tracked: FloatArray,
        setup: ScanSetup,
        pool: Executor,
    ) -> list[Link]:
        """Compare one frame with its partners; the nearest first, since it narrows the search.

        Puts where the pictures say the frame is into ``tracked``.
        """
        axial = _AXIAL_SEARCH_SIGMAS * setup.priors.axial_sigma_mm

        def one(pair: Pair, search_mm: float) -> Link:
            step = float(tracked[pair.b] - tracked[pair.a])
            if pair.wraps:
                step -= setup.geometry.circumference_mm
            return compare(
                held[pair.a],
                held[pair.b],
                step_mm=step,
                search_mm=search_mm,
                axial_search_mm=axial,
                patch_px=self.patch_px,
                noise=setup.noise,
            )

        def wide_if_need_be(pair: Pair, search_mm: float) -> Link:
            # Where the narrow search finds nothing the frame may have been misled: look everywhere,
            # so that a tie can contradict.
            link = one(pair, search_mm)
            wider = link.step_mm is None and search_mm < self.search_mm
            return one(pair, self.search_mm) if wider else link

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
        links += pool.map(lambda pair: one(pair, self.search_mm), wrapping)
        return links


def _numbered(ties: Ties, number: dict[int, int]) -> Ties:
    """The same ties with places in the sequence instead of indices in the scan."""
    places = [
        np.array([number[int(index)] for index in side], dtype=np.int64)
        for side in (ties.a, ties.b)
    ]
    return replace(ties, a=places[0], b=places[1])


def _between(ties: Ties, used: np.ndarray) -> Ties:
    """The ties between used frames, numbered by their place among the used."""
    number = {int(frame): k for k, frame in enumerate(used)}
    kept = ties.take(np.isin(ties.a, used) & np.isin(ties.b, used))
    return _numbered(kept, number)


def _strangers(
    ties: Ties, used: np.ndarray, links: Sequence[Link], number: dict[int, int]
) -> dict[int, str]:
    """Frames (by number) that no tie joins to any other and that show something else than one
    beside them: an encoder that stood still, frames exchanged, another weld's frame."""
    place = {int(frame): k for k, frame in enumerate(used)}
    differing: set[int] = set()
    for link in links:
        ends = [place.get(number[index]) for index in (link.a, link.b)]
        if link.differs and None not in ends:
            differing |= {k for k in ends if k is not None}
    joined = {int(k) for k in ties.a} | {int(k) for k in ties.b}
    reason = "wrong_place: it shows something else than the frames that should lie beside it"
    return dict.fromkeys(sorted(differing - joined), reason)


def _contradicting(ties: Ties, solved: Adjustment) -> dict[int, str]:
    """Frames (by number) most of whose ties were called wrong: at most the worst one at a time,
    because a misplaced frame spoils its neighbours' ties too."""
    worst: tuple[float, int, str] | None = None
    for k in range(len(solved.position_mm)):
        mine = (ties.a == k) | (ties.b == k)
        total = int(mine.sum())
        past = (np.minimum(ties.a, ties.b) < k) & (np.maximum(ties.a, ties.b) > k) & ~solved.wraps
        if total == 0 and bool(past.any()):
            return {k: "wrong_place: the frames beside it match each other, not this one"}
        if total < _FEW_TIES:
            continue
        share = float(solved.rejected[mine].mean())
        if share > _MOSTLY_WRONG and (worst is None or share > worst[0]):
            reason = f"wrong_place: {share:.0%} of its {total} ties contradict the other frames"
            worst = (share, k, reason)
    return {} if worst is None else {worst[1]: worst[2]}


def _unlinked(ties: Ties, frames: int, wraps: np.ndarray) -> tuple[int, ...]:
    """Frames (from the second on) that no tie joins, directly or past them, to any earlier one.

    Ties over a ring's datum (``wraps``) don't count: they join the two ends.
    """
    spans = np.zeros(frames + 1, dtype=np.int64)
    low, high = np.minimum(ties.a, ties.b)[~wraps], np.maximum(ties.a, ties.b)[~wraps]
    np.add.at(spans, low + 1, 1)
    np.add.at(spans, high + 1, -1)
    joined = np.cumsum(spans)
    return tuple(int(k) for k in range(1, frames) if joined[k] <= 0)
