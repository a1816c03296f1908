"""Dust that lay on the panel while one set of flats was shot and was gone in the others.

A speck takes radiation away: a compact group of pixels is darker in one set than in all others
together, and in no other set. A pixel that misbehaves does so alone, or along a line. The set that
has the speck is left out of the gain there, and the other sets tell whether the pixels are good.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from pipeline.calibration.foreign_object import ForeignObject
from pipeline.calibration.levels import Level
from pipeline.calibration.neighbourhood import smooth_background
from pipeline.model import FloatImage

LEAST_SETS = 3
"""With two, the pixels below a speck would be judged by nobody."""

LEAST_LOSS = 0.005
"""Half of what the standard allows a corrected flat, so that a speck is found to its edge."""

NOISE_FACTOR = 6.0
MEDIAN_OF_NINE = 0.42
"""Standard deviation of the median of nine Gaussian values, relative to that of one (0.408 from
their order statistics, and a little for pixels with more noise than their neighbours)."""

LEAST_CORE_PX = 3
MOST_PX = 16
"""Along a side; as large as the blocks in which larger things are looked for."""

MOST_ASPECT = 2.5
LEAST_FILL = 0.4
"""Of its bounding box; a circle fills 0.79, a ragged grain half. Two lines that cross fill less."""

GROWN_PX = 2
"""As far beyond its core a speck's soft edge reaches."""

DUST = "dust:"
"""How the reason begins with which a set is left out at places."""

MOST_TOLD = 8
"""Specks of a set that are told with their places."""

RING_PX = 3
"""So wide is the ring round a speck that it must stand out from."""

LEAST_RESPONSE = 0.05
"""With less of the panel's median signal nothing is said about a pixel."""


@dataclass(frozen=True, slots=True)
class Speck:
    """A speck: where it lies (``thing.frame`` is the index of its set) and its pixels, as row and
    column indices."""

    thing: ForeignObject
    pixels: tuple[NDArray[np.intp], NDArray[np.intp]]


def find_specks(sets: Sequence[Level]) -> list[tuple[Speck, FloatImage]]:
    """The specks of all sets, in their order, each with what the others say the set should show.

    ``sets``: the mean flats of every set by itself (GV), of whatever doses and distances. Values,
    float32 GV, one for each of the speck's pixels: the others' response there times the smooth
    ratio of this set to them, so that beams of another shape are no matter. None with fewer than
    three sets, and none where two sets are dark at the same place: which is right can't be told.
    """
    if len(sets) < LEAST_SETS:
        return []
    weights = [one.frames * one.median for one in sets]  # as quanta weigh
    total = np.zeros_like(sets[0].signal)
    for one, weight in zip(sets, weights, strict=True):
        total += one.signal * np.float32(weight / one.median)
    found: list[tuple[Speck, FloatImage]] = []
    covered = np.zeros(total.shape, np.uint8)
    for index, (one, weight) in enumerate(zip(sets, weights, strict=True)):
        own: FloatImage = one.signal / np.float32(one.median)
        others: FloatImage = total - own * np.float32(weight)
        others /= np.float32(sum(weights) - weight)
        ratio = np.ones_like(others)
        np.divide(own, others, out=ratio, where=(others > LEAST_RESPONSE) & (own > LEAST_RESPONSE))
        smooth = smooth_background(ratio)
        ratio /= smooth
        for speck in _dark_groups(ratio - np.float32(1), others, index):
            covered[speck.pixels] += 1
            expected: FloatImage = others[speck.pixels] * smooth[speck.pixels]
            expected *= np.float32(one.median)
            found.append((speck, expected))
    return [(speck, values) for speck, values in found if (covered[speck.pixels] == 1).all()]


def _dark_groups(away: FloatImage, response: FloatImage, index: int) -> list[Speck]:
    """Compact groups of pixels below their surroundings and the noise; ``away`` is relative."""
    import cv2  # noqa: PLC0415  (slow import)
    from scipy import ndimage  # noqa: PLC0415  (slow import)

    # Single pixels that misbehave, and lines, don't speak for their neighbourhood.
    depth = cv2.medianBlur(away, 3)
    noise = 1.4826 * float(np.median(np.abs(away)))
    limit = np.maximum(response, np.float32(LEAST_RESPONSE)) ** np.float32(-0.5)
    limit *= np.float32(NOISE_FACTOR * MEDIAN_OF_NINE * noise)
    np.maximum(limit, np.float32(LEAST_LOSS), out=limit)
    core = depth < -limit
    numbers, _ = ndimage.label(core, np.ones((3, 3)))
    specks = []
    for number, place in enumerate(ndimage.find_objects(numbers), start=1):
        mine = numbers[place] == number
        if not _is_compact(mine):
            continue
        reach = GROWN_PX + RING_PX
        around = tuple(
            slice(max(side.start - reach, 0), min(side.stop + reach, length))
            for side, length in zip(place, away.shape, strict=True)
        )
        grown = ndimage.binary_dilation(numbers[around] == number, iterations=GROWN_PX)
        ring = ndimage.binary_dilation(grown, iterations=RING_PX) & ~grown
        beside = np.median(away[around][ring]) if ring.any() else 0.0
        if np.median(depth[place][mine] + limit[place][mine]) > beside:
            continue  # a slope beside something larger
        grown &= away[around] < limit[around]  # what is brighter there is no dust
        rows, columns = np.nonzero(grown)
        thing = ForeignObject(
            index,
            place[0].start,
            place[1].start,
            mine.shape[0],
            mine.shape[1],
            -float(depth[place][mine].min()),
        )
        specks.append(Speck(thing, (rows + around[0].start, columns + around[1].start)))
    return specks


def _is_compact(core: NDArray[np.bool_]) -> bool:
    short, long = sorted(core.shape)
    return (
        int(core.sum()) >= LEAST_CORE_PX
        and long <= min(MOST_PX, MOST_ASPECT * short)
        and float(core.mean()) >= LEAST_FILL
    )


def without_specks(
    levels: Sequence[Level], sets: Sequence[Level], specks: Sequence[tuple[Speck, FloatImage]]
) -> tuple[tuple[Level, ...], tuple[Level, ...]]:
    """Levels and sets that say below specks what the other sets say: as if left out there.

    A level is the mean of its sets, frame by frame. What the others say holds a part of each of
    them: where one of four is then tested against the rest, a pixel's deviation shows a tenth
    weaker.
    """
    mended = list(sets)
    for index in dict.fromkeys(speck.thing.frame for speck, _ in specks):
        signal = sets[index].signal.copy()
        for speck, values in specks:
            if speck.thing.frame == index:
                signal[speck.pixels] = values
        mended[index] = replace(sets[index], signal=signal)
    whole = list(levels)
    for number, level in enumerate(levels):
        mine = [k for k, one in enumerate(sets) if _kind(one) == _kind(level)]
        places = [speck.pixels for speck, _ in specks if speck.thing.frame in mine]
        if places:
            signal = level.signal.copy()
            frames = sum(sets[k].frames for k in mine)
            for pixels in places:
                signal[pixels] = 0
                for k in mine:
                    signal[pixels] += mended[k].signal[pixels] * np.float32(sets[k].frames / frames)
            whole[number] = replace(level, signal=signal)
    return tuple(whole), tuple(mended)


def speck_reasons(
    specks: Sequence[tuple[Speck, FloatImage]], names: Sequence[str]
) -> tuple[tuple[str, str], ...]:
    """Name and reason of each set that has specks, the largest of them told with their places."""
    told = []
    for index, name in enumerate(names):
        things = [speck.thing for speck, _ in specks if speck.thing.frame == index]
        things.sort(key=lambda one: (-one.rows * one.columns, one.row, one.column))
        if things:
            places = "; ".join(one.describe() for one in things[:MOST_TOLD])
            more = len(things) - MOST_TOLD
            told.append((name, f"{DUST} {places}" + (f"; and {more} more" if more > 0 else "")))
    return tuple(told)


def _kind(level: Level) -> tuple[float | None, float | None]:
    return level.dose, level.distance_mm
