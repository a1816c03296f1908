"""Regions of a weld whose contrast stands out by itself: suggestions where to look, nothing more.

The weld is laid straight along its centre line. What is about half a millimetre across, a spot or a
line, is brought out by a filter; each row's answers are compared with what the same row, as far
from the centre line, shows elsewhere along the weld, and with the noise that the map predicts. So a
rough cap needs more contrast than a smooth one. Things right across the weld, such as wires, are
taken out first.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.model import FloatImage, StripGrid
from pipeline.quality.asked.known import StripPicture
from pipeline.quality.noise.resampled_noise import resampled_correlation
from pipeline.quality.noise.weld_line import WeldLine
from pipeline.quality.noted.indication import Suggestion
from pipeline.quality.noted.straight_weld import WINDOW_MM, StraightWeld, straighten

_NARROW_MM, _WIDE_MM = 0.15, 0.45  # standard deviations of the Gaussians whose difference it is
_LONG_MM = 8.0  # what is longer shifts the level of its rows
_ROWS = 5  # that a row's spread is taken over
_GROWN_MM = 0.3  # that a box is larger than what stands out
_MERGE_MM = 1.0  # nearer than that, several are one
_UNKNOWN_MM = 1.0  # beside what isn't measured that nothing is told of
_FILLED = 3  # bins both ways: less that isn't measured, single bad pixels, hides nothing beside it
_HALO = 0.4  # of the strength of what it lies beside; the filter's own is a sixth
_EDGE = 0.6  # of the strength that a region begins at


@dataclass(frozen=True, slots=True)
class SuggestionPlan:
    """``strength`` is how many standard deviations of what the weld shows elsewhere a region must
    stand out by, ``cnr`` how many of one strip pixel's predicted noise.

    ``fainter`` is the strength that suffices between the cap's toes, where the weld's own shape
    hardly ever comes near it: a fine crack lies there along its whole length, under a gauge's wires
    too.
    """

    strength: float = 7.0
    cnr: float = 1.0
    fainter: float = 6.3


def suggest_regions(
    picture: StripPicture, weld: WeldLine, plan: SuggestionPlan
) -> tuple[Suggestion, ...]:
    """Boxes along the strip in the order of their places.

    There are none where the weld isn't seen, or there is no noise map. Nothing is told of what
    isn't measured, nor within a millimetre of more than single pixels of that.
    """
    import cv2  # noqa: PLC0415

    straight = straighten(picture, weld)
    if straight is None:
        return ()
    bin_mm = straight.size * picture.grid.pitch_mm
    near = 2 * math.ceil(_UNKNOWN_MM / bin_mm) + 1
    unknown = (~straight.known).astype(np.uint8)
    large = cv2.morphologyEx(unknown, cv2.MORPH_OPEN, np.ones((_FILLED, _FILLED), np.uint8))
    beside = cv2.dilate(large, np.ones((near, near), np.uint8)) | unknown
    answer, spread = _answers(straight, bin_mm)
    score, cnr = (
        np.asarray(one, np.float32) for one in (answer / spread, np.abs(answer) / straight.noise)
    )
    score[beside > 0] = 0
    grid = picture.grid
    found = [
        suggestion
        for sign in (1, -1)
        for suggestion in _regions(sign, score, cnr, straight, grid, plan)
    ]
    turn_mm = grid.columns * grid.pitch_mm if grid.ring else None
    own = _of_their_own(found, plan, turn_mm)
    once: list[Suggestion] = []
    for one in sorted(own, key=lambda one: -one.strength):
        if not any(_is_same(one, other, turn_mm) for other in once):
            once.append(one)
    return tuple(sorted(once, key=lambda one: one.box_mm))


def _of_their_own(
    found: Sequence[Suggestion], plan: SuggestionPlan, turn_mm: float | None
) -> list[Suggestion]:
    """Those that aren't what the filter answers beside something that stands out much more; of
    fainter ones those that nothing stronger explains at all."""
    strong = [one for one in found if one.strength >= plan.strength]
    own = [
        one
        for one in strong
        if not any(
            one.strength < _HALO * other.strength and _is_beside(one, other, 0.0, turn_mm)
            for other in strong
        )
    ]
    fainter = [
        one
        for one in found
        if one.strength < plan.strength
        and not any(_is_beside(one, other, _levelled_with(other), turn_mm) for other in own)
    ]
    return own + fainter


def _is_same(one: Suggestion, other: Suggestion, turn_mm: float | None) -> bool:
    """Whether it is the same at the datum, seen at both ends of a ring."""
    if turn_mm is None or one.polarity != other.polarity:
        return False
    (first, last, *z), (first_2, last_2, *z_2) = one.box_mm, other.box_mm
    ends = (first - first_2, last - last_2)
    near = all(abs(math.remainder(away, turn_mm)) <= _MERGE_MM for away in ends)
    return near and all(abs(a - b) <= _MERGE_MM for a, b in zip(z, z_2, strict=True))


def _levelled_with(other: Suggestion) -> float:
    """How far along the weld something shifts the level of its rows: only what is long does."""
    first, last, *_ = other.box_mm
    short = 0 <= last - first < _LONG_MM  # one that lies across the datum may be long
    return 0.0 if short else WINDOW_MM / 2


def _is_beside(one: Suggestion, other: Suggestion, within_mm: float, turn_mm: float | None) -> bool:
    """Whether it lies in the rows of something of the other polarity, and on it or within so much
    of it along the weld: then it may be what the filter answers beside that, or its level's."""
    if one.polarity == other.polarity:
        return False
    (first, last, low, high), (first_2, last_2, low_2, high_2) = one.box_mm, other.box_mm
    away, length, length_2 = first_2 - first, last - first, last_2 - first_2
    if turn_mm is not None:
        length, length_2 = length % turn_mm, length_2 % turn_mm
        away = math.remainder(away, turn_mm)
    along = -length_2 - within_mm <= away <= length + within_mm
    return along and low <= high_2 and low_2 <= high


def _answers(straight: StraightWeld, bin_mm: float) -> tuple[FloatImage, FloatImage]:
    """What the filter answers everywhere, and the standard deviation to compare that with: the
    row's own, or that of the predicted noise where that is more."""
    import cv2  # noqa: PLC0415

    narrow, wide = _NARROW_MM / bin_mm, _WIDE_MM / bin_mm
    near, far = (cv2.GaussianBlur(straight.contrast, (0, 0), sigma) for sigma in (narrow, wide))
    answer = np.asarray(near - far, dtype=np.float32)
    row = 1.4826 * np.median(np.abs(answer), axis=1)
    row = cv2.blur(np.square(row)[:, np.newaxis], (1, _ROWS))[:, 0]
    # What a difference of two Gaussians leaves of white noise's variance.
    left = (1 / narrow**2 - 4 / (narrow**2 + wide**2) + 1 / wide**2) / (4 * math.pi)
    # Interpolated noise looks smaller than it is from afar, by the root of what is left each way.
    white = np.square(straight.noise / (resampled_correlation()[0] * straight.size)) * left
    return answer, np.sqrt(np.maximum(row[:, np.newaxis], white)).astype(np.float32)


def _regions(
    sign: int,
    score: FloatImage,
    cnr: FloatImage,
    straight: StraightWeld,
    grid: StripGrid,
    plan: SuggestionPlan,
) -> Iterator[Suggestion]:
    """Boxes round what stands out with that sign."""
    import cv2  # noqa: PLC0415

    height = sign * score
    above = height >= _EDGE * plan.strength
    size, pitch = straight.size, grid.pitch_mm
    merge = 2 * round(_MERGE_MM / 2 / (size * pitch)) + 1
    joined = cv2.dilate(above.astype(np.uint8), np.ones((merge, merge), np.uint8))
    _, label = cv2.connectedComponents(joined, connectivity=8)
    for number in np.unique(label[above & (height >= plan.fainter) & (cnr >= plan.cnr)]):
        rows, columns = np.nonzero((label == number) & above)
        heights = height[rows, columns]
        highest = int(np.argmax(heights))
        if (
            heights[highest] < plan.strength
            and not straight.between_toes[rows[highest], columns[highest]]
        ):
            continue  # at the toes the weld's own shape reaches as far
        first = straight.first_column + size * int(columns.min())
        last = straight.first_column + size * (int(columns.max()) + 1) - 1
        beyond = round(_MERGE_MM / pitch)
        if grid.ring and not -beyond <= (first + last) / 2 < grid.columns + beyond:
            continue  # seen whole at the ring's other end
        tops = straight.first_row[columns] + size * rows
        s_first, s_last = (grid.s_first_mm + at * pitch for at in (first - 0.5, last + 0.5))
        z_first, z_last = (
            grid.z_first_mm + float(at) * pitch
            for at in (tops.min() - 0.5, tops.max() + size - 0.5)
        )
        s_first, s_last = s_first - _GROWN_MM, s_last + _GROWN_MM
        if grid.ring:
            s_first, s_last = (s % (grid.columns * pitch) for s in (s_first, s_last))
        yield Suggestion(
            (s_first, s_last, z_first - _GROWN_MM, z_last + _GROWN_MM),
            "more_radiation" if sign > 0 else "less_radiation",
            float(heights[highest]),
            float(cnr[rows, columns].max()),
        )
