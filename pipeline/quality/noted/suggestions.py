"""Regions of a weld whose contrast stands out by itself: suggestions where to look, nothing more.

The weld is laid straight along its centre line. What is about half a millimetre across, a spot or a
line, is brought out by a filter; each row's answers are compared with what the same row, as far
from the centre line, shows elsewhere along the weld, and with the noise that the map predicts. So a
rough cap needs more contrast than a smooth one. Things right across the weld, such as wires, are
taken out first.
"""

from __future__ import annotations

import math
import warnings
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.model import FloatImage, Origin, StripGrid
from pipeline.quality.asked.known import StripPicture
from pipeline.quality.noise.resampled_noise import resampled_correlation
from pipeline.quality.noise.weld_line import WeldLine
from pipeline.quality.noted.indication import Suggestion

_BIN_MM = 0.1  # side of the squares of pixels that are taken together, if they are smaller
_NARROW_MM, _WIDE_MM = 0.15, 0.45  # standard deviations of the Gaussians whose difference it is
_BESIDE_MM = 1.0  # of metal beside the cap's toes that belongs to the weld
_PAD_MM = 30.0  # of a ring that is looked at again past its datum
_WINDOW_MM = 40.0  # along the weld, over whose middle value a row is levelled
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
    stand out by, ``cnr`` how many of one strip pixel's predicted noise."""

    strength: float = 7.0
    cnr: float = 1.0


@dataclass(frozen=True, slots=True)
class _Straight:
    """The weld laid straight, in bins of ``size`` by ``size`` pixels; images (rows, columns).

    ``contrast`` is ln(gray value) less what its row usually is, ``noise`` a strip pixel's predicted
    noise over its gray value. The strip's row that a column of bins begins with is ``first_row``
    (columns,), its column ``first_column`` + size · column, which on a ring may lie past the ends.
    """

    contrast: FloatImage
    noise: FloatImage
    known: NDArray[np.bool_]
    first_row: NDArray[np.int64]
    first_column: int
    size: int


def suggest_regions(
    picture: StripPicture, weld: WeldLine, plan: SuggestionPlan
) -> tuple[Suggestion, ...]:
    """Boxes along the strip in the order of their places.

    There are none where the weld isn't seen, or there is no noise map. Nothing is told of what
    isn't measured, nor within a millimetre of more than single pixels of that.
    """
    import cv2  # noqa: PLC0415

    straight = _straighten(picture, weld)
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
    own = [one for one in found if not any(_is_halo(one, other, turn_mm) for other in found)]
    once: list[Suggestion] = []
    for one in sorted(own, key=lambda one: -one.strength):
        if not any(_is_same(one, other, turn_mm) for other in once):
            once.append(one)
    return tuple(sorted(once, key=lambda one: one.box_mm))


def _is_same(one: Suggestion, other: Suggestion, turn_mm: float | None) -> bool:
    """Whether it is the same at the datum, seen at both ends of a ring."""
    if turn_mm is None or one.polarity != other.polarity:
        return False
    (first, last, *z), (first_2, last_2, *z_2) = one.box_mm, other.box_mm
    ends = (first - first_2, last - last_2)
    near = all(abs(math.remainder(away, turn_mm)) <= _MERGE_MM for away in ends)
    return near and all(abs(a - b) <= _MERGE_MM for a, b in zip(z, z_2, strict=True))


def _is_halo(one: Suggestion, other: Suggestion, turn_mm: float | None) -> bool:
    """Whether it is what the filter answers beside something that stands out much more."""
    if one.polarity == other.polarity or one.strength >= _HALO * other.strength:
        return False
    (first, last, low, high), (first_2, last_2, low_2, high_2) = one.box_mm, other.box_mm
    away, length, length_2 = first_2 - first, last - first, last_2 - first_2
    if turn_mm is not None:
        length, length_2 = length % turn_mm, length_2 % turn_mm
        away = math.remainder(away, turn_mm)
    return -length_2 <= away <= length and low <= high_2 and low_2 <= high


def _straighten(picture: StripPicture, weld: WeldLine) -> _Straight | None:
    grid, pitch = picture.grid, picture.grid.pitch_mm
    size = max(1, round(_BIN_MM / pitch))
    pad = round(_PAD_MM / pitch) if grid.ring else 0
    columns = (grid.columns + 2 * pad) // size
    if picture.sigma is None or not weld.seen.any() or columns < 2:
        return None
    at = -pad + size * np.arange(columns)
    s_mm = grid.s_first_mm + (at + (size - 1) / 2) * pitch
    turn_mm = grid.columns * pitch if grid.ring else None
    seen_s, centre = weld.s_mm[weld.seen], weld.z_mm[weld.seen]
    centre_mm = np.interp(s_mm, seen_s, centre, period=turn_mm)
    half_mm = float(weld.half_width_mm[weld.seen].max()) + _BESIDE_MM
    rows = math.ceil(2 * half_mm / (size * pitch))
    first_row = np.rint((centre_mm - half_mm - grid.z_first_mm) / pitch).astype(np.int64)
    row = first_row.repeat(size) + np.arange(rows * size)[:, np.newaxis]
    column = -pad + np.arange(columns * size)
    column = column % grid.columns if grid.ring else column
    inside = (row >= 0) & (row < grid.rows)
    place = np.clip(row, 0, grid.rows - 1), column
    gray = picture.values[place].astype(np.float32)
    known = inside & (gray > 0)
    if picture.origin is not None:
        known &= picture.origin[place] == Origin.MEASURED
    known = np.asarray(_binned(known, size).all(axis=(1, 3)))
    mean = np.maximum(_binned(gray, size).mean(axis=(1, 3)), 1)
    sigma = _binned(picture.sigma[place].astype(np.float32), size).mean(axis=(1, 3))
    noise = sigma * np.float32(picture.sigma_scale) / mean
    contrast = _levelled(np.log(mean), known, max(1, round(_WINDOW_MM / 4 / (size * pitch))))
    return _Straight(contrast, np.maximum(noise, 1e-6), known, first_row, -pad, size)


def _binned(image: NDArray[Any], size: int) -> NDArray[Any]:
    """The image as (rows, size, columns, size)."""
    rows, columns = (length // size for length in image.shape)
    return image.reshape(rows, size, columns, size)


def _levelled(logs: FloatImage, known: NDArray[np.bool_], block: int) -> FloatImage:
    """The logarithms less what their rows and then their columns usually are; 0 where unknown.

    A row's is the median over four blocks and more of columns, drawn straight between the blocks;
    a column's the median over all rows: it holds what lies right across the weld.
    """
    logs = np.where(known, logs, np.nan)
    rows, columns = logs.shape
    blocks = max(1, columns // block)
    edges = np.rint(np.linspace(0, columns, blocks + 1)).astype(np.int64)
    middles = (edges[:-1] + edges[1:] - 1) / 2
    level = np.zeros_like(logs)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)  # rows and columns without a pixel
        usual = np.stack(
            [
                np.nanmedian(logs[:, edges[max(k - 2, 0)] : edges[min(k + 3, blocks)]], axis=1)
                for k in range(blocks)
            ],
            axis=1,
        )
        for row in range(rows):
            good = np.isfinite(usual[row])
            if good.any():
                level[row] = np.interp(np.arange(columns), middles[good], usual[row, good])
        flat = logs - level
        flat -= np.nanmedian(flat, axis=0)
    return np.asarray(np.nan_to_num(flat), dtype=np.float32)


def _answers(straight: _Straight, bin_mm: float) -> tuple[FloatImage, FloatImage]:
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
    straight: _Straight,
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
    for number in np.unique(label[above & (height >= plan.strength) & (cnr >= plan.cnr)]):
        rows, columns = np.nonzero((label == number) & above)
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
            float(height[rows, columns].max()),
            float(cnr[rows, columns].max()),
        )
