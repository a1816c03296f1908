"""Blending: all frames into one strip, weighted by noise, each raw pixel resampled once."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Executor
from functools import partial
from itertools import islice
from typing import Annotated, ClassVar, TypeVar

from pydantic import Field

from pipeline.calibration.product import CalibrationKind
from pipeline.model import Frame, Placement, Strip
from pipeline.prefetch import prefetch
from pipeline.stages.base import Shape, parameters
from pipeline.stages.frame_part import Composition, FrameParts
from pipeline.stages.tiles import GrowingStrip, Tile

# Frames added to a block while its sums are in the processor's cache; with more of them the next
# ones, made meanwhile, push them out.
_AT_ONCE = 2

_T = TypeVar("_T")


@parameters
class Blending:
    """Average the frames that saw a pixel, by predicted noise and a smooth edge taper."""

    name: ClassVar[str] = "blending"
    shape: ClassVar[Shape] = Shape.COMPOSE
    needs: ClassVar[tuple[CalibrationKind, ...]] = (CalibrationKind.NOISE,)
    after: ClassVar[tuple[str, ...]] = ("registration",)

    taper_px: Annotated[int, Field(ge=1, le=512)] = 64
    """Width over which a frame's weight falls to nothing at the panel's edge."""
    fill_radius_px: Annotated[int, Field(ge=0, le=10)] = 3
    """How far a strip pixel that no frame measured may be filled from its neighbours."""

    def compose(
        self,
        frames: Iterable[Frame],
        placement: Placement,
        composition: Composition,
        pool: Executor,
    ) -> tuple[Strip, int, int]:
        """The strip, how many pixels were filled, and how many were too bright for 16 bits.

        ``frames`` come corrected, in the placement's order. The result doesn't depend on the
        number of threads: a block is summed by one thread, in the order of the frames.
        """
        growing = GrowingStrip(composition.grid)
        parts = FrameParts(placement, composition, self.taper_px)
        last_use = parts.last_use()
        made = ((k, parts.make(k, frame)) for k, frame in enumerate(frames))
        for some in prefetch(_in_groups(made, _AT_ONCE)):
            touched: dict[int, list[Callable[[Tile], None]]] = {}
            for k, part in some:
                for span in parts.spans(k):
                    touched.setdefault(span.block, []).append(partial(part.add, span))
            done_up_to = some[-1][0]
            growing.add(touched, {b for b in touched if last_use[b] <= done_up_to}, pool)
        strip, filled = growing.strip(pool, fill_radius_px=self.fill_radius_px)
        return strip, filled, growing.clipped


def _in_groups(items: Iterator[_T], size: int) -> Iterator[list[_T]]:
    """The items in lists of ``size``, the last perhaps shorter."""
    while some := list(islice(items, size)):
        yield some
