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
from pipeline.stages.comparing import Comparing
from pipeline.stages.distortion import Distortion
from pipeline.stages.levels import solve_levels
from pipeline.stages.matching import Link, Ties
from pipeline.stages.shared_noise import allow_for_shared_noise
from pipeline.stages.views import View, make_view

_AXIAL_SEARCH_SIGMAS = 2.0


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

    patch_px: Annotated[int, Field(ge=48, le=1024)] = 320
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
        indices, links = self._comparing(setup).compare_all(views, encoder_mm, pool)
        grid, used = setup.view_grid, list(range(len(indices)))
        misplaced: dict[int, str] = {}
        while True:
            between = _between(links, {indices[f]: k for k, f in enumerate(used)})
            wrong = strangers(len(used), between)
            if not wrong:
                kept = Ties.join([link.ties for link in between])
                solved = adjust(
                    allow_for_shared_noise(
                        kept,
                        encoder_mm[used],
                        (grid.s_first_mm, grid.s_first_mm + grid.columns * grid.pitch_mm),
                        setup.geometry.circumference_mm,
                    ),
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

    def _comparing(self, setup: ScanSetup) -> Comparing:
        return Comparing(
            grid=setup.view_grid,
            circumference_mm=setup.geometry.circumference_mm,
            ring=setup.ring,
            noise=setup.noise,
            axial_search_mm=_AXIAL_SEARCH_SIGMAS * setup.priors.axial_sigma_mm,
            search_mm=self.search_mm,
            patch_px=self.patch_px,
            neighbours=self.neighbours,
        )

    def _priors(self, setup: ScanSetup) -> Priors:
        told = setup.priors
        inside = setup.geometry.arrangement is Arrangement.PANORAMIC
        return replace(
            told,
            source_sigma_mm=told.source_sigma_mm if self.refine_source and inside else 0.0,
            roll_sigma_rad=told.roll_sigma_rad if self.refine_roll else 0.0,
        )


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
