"""Registration: one placement of all frames from what their overlaps show."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass, replace
from typing import Annotated, ClassVar

import numpy as np
from pydantic import Field

from pipeline.calibration.product import CalibrationKind, NoiseModel
from pipeline.errors import FrameError
from pipeline.geometry import Arrangement, Panel, ScanGeometry
from pipeline.model import FloatArray, Frame, Placement, StripGrid
from pipeline.stages.adjustment import Adjustment, Priors, adjust
from pipeline.stages.base import Shape, parameters
from pipeline.stages.belonging import contradicting, strangers, unlinked
from pipeline.stages.distortion import Distortion
from pipeline.stages.levels import solve_levels
from pipeline.stages.matching import Link, Ties, compare
from pipeline.stages.pairing import Pair, choose_pairs, last_needed
from pipeline.stages.views import View, make_view

_TRACKED_SEARCH_MM = 1.5  # once the nearest frame has been matched
_AXIAL_SEARCH_SIGMAS = 2.0
_RING_MISS = 0.05  # of the circumference: by how much a ring's ends may miss each other
_MOST_MOVED = 0.8  # of a frame's length: moved by more, frames hardly overlap


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
        used = list(range(len(indices)))
        misplaced: dict[int, str] = {}
        while True:
            between = _between(links, {indices[f]: k for k, f in enumerate(used)})
            wrong = strangers(len(used), between)
            if not wrong:
                kept = Ties.join([link.ties for link in between])
                solved = adjust(
                    kept,
                    encoder_mm[used],
                    setup.geometry,
                    setup.panel,
                    self._priors(setup),
                    ring=setup.ring,
                    pitch_mm=setup.view_grid.pitch_mm,
                )
                wrong = contradicting(kept, solved)
                if not wrong or len(used) - len(wrong) < 2:
                    break
            misplaced |= {indices[used[k]]: reason for k, reason in wrong.items()}
            used = [f for k, f in enumerate(used) if k not in wrong]
        _require_sense(solved)
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
            unlinked(right, len(used), solved.wraps[~solved.rejected]),
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

        def step_mm(pair: Pair) -> float:
            step = float(tracked[pair.b] - tracked[pair.a])
            return step - setup.geometry.circumference_mm if pair.wraps else step

        def one(pair: Pair, search_mm: float, off_mm: float = 0.0) -> Link:
            return compare(
                held[pair.a],
                held[pair.b],
                step_mm=step_mm(pair) + off_mm,
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

        def over_datum(pair: Pair) -> Link:
            # A wrong diameter or stand-off makes the ends miss each other by far more than the
            # encoder does: look there too, so that the log can say by how much. Not where the
            # frames would lie on each other: what the panel itself shows always matches there.
            link = one(pair, self.search_mm)
            for off_mm in self._far_offsets_mm(setup):
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

    def _far_offsets_mm(self, setup: ScanSetup) -> list[float]:
        """Where else the ends of a ring may meet: the nearest first, searches overlapping."""
        grid = setup.view_grid
        most = min(
            _RING_MISS * setup.geometry.circumference_mm, _MOST_MOVED * grid.columns * grid.pitch_mm
        )
        step = 1.5 * self.search_mm
        return [sign * step * k for k in range(1, 1 + int(most / step)) for sign in (1, -1)]


def _require_sense(solved: Adjustment) -> None:
    """Refuse a solution that no scan can have: there would be nothing to make a strip of.

    Raises:
        FrameError: the source lies outside the pipe, or nothing finite came out.
    """
    off_mm = math.hypot(solved.geometry.source_x_mm, solved.geometry.source_y_mm)
    if off_mm < solved.geometry.radius_mm and np.isfinite(solved.position_mm).all():
        return
    raise FrameError(
        "the frames can't be placed: what their overlaps show contradicts the frame table and the "
        f"geometry so much that the source would stand {off_mm:.0f} mm off the axis",
        expected=f"a source inside the pipe, less than {solved.geometry.radius_mm:.0f} mm off",
        remedy="Check that position_mm is in mm and grows along the scan, the pipe's diameter, the "
        "stand-off and the panel's pitch",
    )


def _between(links: Sequence[Link], number: Mapping[int, int]) -> list[Link]:
    """The links whose two frames are in ``number``, with the numbers it gives instead."""
    return [
        replace(
            link,
            a=number[link.a],
            b=number[link.b],
            ties=replace(
                link.ties,
                a=np.full(len(link.ties), number[link.a], dtype=np.int64),
                b=np.full(len(link.ties), number[link.b], dtype=np.int64),
            ),
        )
        for link in links
        if link.a in number and link.b in number
    ]
