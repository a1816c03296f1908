"""A thing that lay in the beam while flats were shot: which frame, and where on the panel.

What lies in the beam takes radiation away. A frame is therefore compared, in blocks of 16×16
pixels, with what the brighter ones of its set show there; a grain of dust of a few pixels that
is too small for that is left to the robust mean. What was there in every flat can only be told
from the panel's own gain where it is large: as a sharp dark place in an otherwise smooth beam.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.calibration.smooth_surface import smooth_surface
from pipeline.model import FloatArray, FloatImage, RawImage

BLOCK_PX = 16

WITHIN_SET = 0.005
"""Relative loss in a block, beyond which a frame is not like the others of its set; half of what
the standard allows a corrected flat."""

BETWEEN_SETS = 0.03
"""The same for a set's mean against other sets': doses and distances bend the picture a little."""

STANDING = 0.2
"""The same for a place that is dark in all flats: no panel's modules differ by so much (common
practice, no published source)."""

BEAM_SPREAD = 0.03
"""How well the logarithm of a beam and a panel's gain follow a polynomial of the fourth degree."""

NOISE_FACTOR = 6.0
PIXELS_AT_LEAST = 4
"""A loss within one block counts only if so many dark pixels would be needed for it: a single
pixel that blinks is no object."""

SHADOW_FRACTION = 0.05
"""Blocks with less than this part of the panel's median signal have no shape to compare."""

MIN_BLOCKS = 12
"""Along a side; with fewer a smooth beam can't be told from the panel's gain (see
``smooth_surface``)."""


@dataclass(frozen=True, slots=True)
class ForeignObject:
    """Where on the panel something takes radiation away, and how much of it at most.

    ``frame`` is the index of the frame (or set) that shows it; -1 for all flats of a level.
    ``row`` and ``column`` are its first, to whole blocks. ``loss`` is relative, of a block.
    """

    frame: int
    row: int
    column: int
    rows: int
    columns: int
    loss: float

    def describe(self) -> str:
        """Its place and size in words: ``rows 96–143, columns 32–63, up to 12 % darker``."""
        return (
            f"rows {self.row}–{self.row + self.rows - 1}, "
            f"columns {self.column}–{self.column + self.columns - 1}, "
            f"up to {_percent(self.loss)} % darker"
        )


def _percent(part: float) -> str:
    """With two digits, but never as a power of ten."""
    return f"{100 * part:.0f}" if part >= 0.0995 else f"{100 * part:.2g}"


def block_means(image: RawImage | FloatImage) -> FloatImage:
    """Means over blocks of about 16×16 pixels, float32 (block rows, block columns).

    Blocks are as equal as they can be and cover the whole image. Sums of uint16 are exact.
    """
    row_edges, column_edges = block_edges(image.shape[0]), block_edges(image.shape[1])
    kind = np.uint32 if image.dtype == np.uint16 else np.float32
    strips = np.add.reduceat(image, row_edges[:-1], axis=0, dtype=kind)
    sums = np.add.reduceat(strips, column_edges[:-1], axis=1, dtype=np.float64)
    sizes = np.outer(np.diff(row_edges), np.diff(column_edges))
    return np.asarray(sums / sizes, dtype=np.float32)


def block_edges(side_px: int) -> NDArray[np.int64]:
    """First pixel of every block along a side, and the side's end."""
    blocks = max(1, side_px // BLOCK_PX)
    return np.linspace(0, side_px, blocks + 1).astype(np.int64)


def find_objects(
    maps: Sequence[FloatImage],
    dark_map: FloatImage,
    shape: tuple[int, int],
    *,
    limit: float = WITHIN_SET,
) -> list[ForeignObject]:
    """The largest thing in each frame that isn't in the brighter ones, in the frames' order.

    ``maps``: ``block_means`` of raw flats of one set, GV (or of the sets' mean flats, with
    ``limit=BETWEEN_SETS``), ``dark_map`` that of the dark, ``shape`` the panel's (rows, columns).
    None for a single frame. The tube's output may vary from frame to frame: a smooth change of
    shape counts for nothing, nor does a change of whole rows or columns of less than 3 %. Up to
    three of four frames may show the same thing.
    """
    if len(maps) < 2:
        return []
    signals = np.stack(maps).astype(np.float64) - dark_map
    levels = np.median(signals, axis=(1, 2))
    if not (levels > 0).all():
        return []  # refused elsewhere: such flats are as dark as the darks
    shapes = signals / levels[:, np.newaxis, np.newaxis]
    middle = np.median(shapes, axis=0)
    smooth = [smooth_surface(_ratio(one, middle), 2) for one in shapes]
    shapes /= np.maximum(smooth, SHADOW_FRACTION)
    bright = np.quantile(shapes, 0.75, axis=0, method="higher")
    lit = bright > SHADOW_FRACTION
    edges = block_edges(shape[0]), block_edges(shape[1])
    found = []
    for index, one in enumerate(shapes):
        away = _ratio(one, bright) - 1
        # Noise from two frames alone: against the brightest of few, it would be one-sided.
        noise = _without_lines(_ratio(one, shapes[index - 1]) - 1)
        spread = 1.4826 * float(np.median(np.abs(noise[lit])))
        by_noise = NOISE_FACTOR * spread / np.sqrt(np.maximum(bright, SHADOW_FRACTION))
        hit = _without_lines(away) < -np.maximum(by_noise, limit)
        hit |= away < -np.maximum(by_noise, max(limit, BETWEEN_SETS))
        found += _largest(index, hit & lit, away, edges)
    return found


def _ratio(one: FloatArray, other: FloatArray) -> FloatArray:
    """One shape over another; 1 where the other has next to no signal."""
    lit = other > SHADOW_FRACTION
    return np.where(lit, one / np.where(lit, other, 1), 1.0)


def _without_lines(away: FloatArray) -> FloatArray:
    """Without what whole rows and columns have in common."""
    away = away - np.median(away, axis=1, keepdims=True)
    return np.asarray(away - np.median(away, axis=0, keepdims=True))


def find_standing_object(signal: FloatImage, dead: NDArray[np.bool_]) -> ForeignObject | None:
    """The largest dark place in a mean flat minus dark (GV) that can't be the panel's own.

    Compact, two blocks or more, and a fifth darker than a smooth beam is there. A place that
    reaches from one edge of the panel to the opposite one is taken for its structure, and so is
    one of ``dead`` pixels at an edge (a read-out chip that failed). Small panels, of fewer than
    twelve blocks along a side, can't be judged: None.
    """
    rows, columns = (side // BLOCK_PX for side in signal.shape)
    if min(rows, columns) < MIN_BLOCKS:
        return None
    cut = np.s_[: rows * BLOCK_PX, : columns * BLOCK_PX]
    blocks = signal[cut].reshape(rows, BLOCK_PX, columns, BLOCK_PX).swapaxes(1, 2)
    middle = np.median(blocks.reshape(rows, columns, -1), axis=-1).astype(np.float64)
    gone = dead[cut].reshape(rows, BLOCK_PX, columns, BLOCK_PX).mean(axis=(1, 3)) > 0.5
    logarithm = np.log(np.maximum(middle, SHADOW_FRACTION * np.median(middle)))
    away = middle / np.exp(smooth_surface(logarithm, 4, least_spread=BEAM_SPREAD)) - 1
    edges = (np.arange(rows + 1) * BLOCK_PX, np.arange(columns + 1) * BLOCK_PX)
    numbers, places = _labelled(away < -STANDING)
    objects = [
        _object(-1, place, away, numbers == number, edges)
        for number, place in enumerate(places, start=1)
        if not _structure(place, numbers == number, gone)
    ]
    return max(objects, key=lambda one: (one.rows * one.columns, one.loss), default=None)


Place = tuple[slice, slice]


def _labelled(hit: NDArray[np.bool_]) -> tuple[NDArray[np.int32], list[Place]]:
    """Hits that touch, over corners too, as one thing each: its number, and its place in blocks."""
    from scipy import ndimage  # noqa: PLC0415  (slow import)

    numbers, _ = ndimage.label(hit, np.ones((3, 3)))
    return numbers, ndimage.find_objects(numbers)


def _structure(place: Place, here: NDArray[np.bool_], gone: NDArray[np.bool_]) -> bool:
    """Whether a dark place is too small to be a thing, or the panel's own."""
    starts = [part.start == 0 for part in place]
    stops = [part.stop == side for part, side in zip(place, here.shape, strict=True)]
    across = any(start and stop for start, stop in zip(starts, stops, strict=True))
    failed_chip = any(starts + stops) and bool((gone & here).sum() > 0.5 * here.sum())
    return across or failed_chip or int(here.sum()) < 2


def _largest(
    frame: int,
    hit: NDArray[np.bool_],
    away: FloatArray,
    edges: tuple[NDArray[np.int64], NDArray[np.int64]],
) -> list[ForeignObject]:
    """The thing that takes most away, if any; in a block alone it must outweigh a few pixels."""
    sizes = np.outer(*(np.diff(edge) for edge in edges))
    numbers, places = _labelled(hit)
    best, most = 0, 0.0
    for number, place in enumerate(places, start=1):
        here = numbers[place] == number
        taken = float(-(away * sizes)[place][here].sum())  # in whole pixels' signal
        if taken > most and (here.sum() > 1 or taken > PIXELS_AT_LEAST):
            best, most = number, taken
    return [_object(frame, places[best - 1], away, numbers == best, edges)] if best else []


def _object(
    frame: int,
    place: Place,
    away: FloatArray,
    here: NDArray[np.bool_],
    edges: tuple[NDArray[np.int64], NDArray[np.int64]],
) -> ForeignObject:
    (top, bottom), (left, right) = (
        (int(edge[part.start]), int(edge[part.stop]))
        for edge, part in zip(edges, place, strict=True)
    )
    loss = min(1.0, float(-away[here].min()))
    return ForeignObject(frame, top, left, bottom - top, right - left, loss)
