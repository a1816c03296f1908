"""The strip as pictures for people: film-like negatives of one stated gray window.

Display only: nothing here goes back into the strip. Arrays in, encoded pictures out.
"""

from __future__ import annotations

import base64
import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.kernels.square_means import square_means
from pipeline.model import FlagImage, Origin, RawImage

SECTION_MM = 200.0
"""Length of strip in one picture."""
REPEAT_MM = 10.0
"""How far each picture reaches into its neighbours' sections, so that no cut hides what lies on it
and no mark that stands there is only seen cut in half."""
WINDOW_PERCENTILES = (2.0, 99.8)
"""Percentiles of the covered gray values that the window spans: lead markers fall below."""
WINDOW_MARGIN = 0.12
"""Part of that span by which the window reaches further on both sides, so that plain metal, which
is most of the strip and has the highest gray values, isn't drowned in black."""
RING_BAND = (0.58, 0.87)
"""Inner and outer radius of the ring, of half its picture's side."""

_PIXEL_BUDGET = 6_000_000  # of all section pictures together; keeps the report below 8 MB
_JPEG_QUALITY = 92
_RING_PX = 760  # side of the ring picture
_HATCH_PX = 6  # period of the stripes that mean "not covered"


@dataclass(frozen=True, slots=True)
class Window:
    """The gray values shown as white (``low``) and black (``high``); always low < high."""

    low: float
    high: float


@dataclass(frozen=True, slots=True)
class Picture:
    """A picture as a data URI, and the millimetres from the datum at its left and right edge."""

    uri: str
    width_px: int
    height_px: int
    from_mm: float
    to_mm: float


@dataclass(frozen=True, slots=True)
class ShownStrip:
    """The strip in the page's gray values, ``factor``² strip pixels to one; ``covered`` is 1 where
    at least half of them were covered, None where all were; ``columns`` are the strip's."""

    gray: NDArray[np.uint8]
    covered: FlagImage | None
    factor: int
    columns: int


def display_window(strip: RawImage, origin: FlagImage) -> Window:
    """The gray window of a whole strip, from percentiles of its covered pixels.

    Looks at a regular sample of about a million pixels. A strip that is covered nowhere, or has
    one gray value only, gets a window about one gray value wide.
    """
    step = max(1, math.isqrt(strip.size // 1_000_000))
    sample = strip[::step, ::step][origin[::step, ::step] != Origin.NOT_COVERED]
    low, high = np.percentile(sample, WINDOW_PERCENTILES) if sample.size else (0.0, 1.0)
    margin = WINDOW_MARGIN * max(high - low, 1.0)
    return Window(float(low - margin), float(high + margin))


def shown_strip(strip: RawImage, origin: FlagImage, window: Window) -> ShownStrip:
    """The whole strip as the page's pictures show it, before they are cut from it.

    Strip pixels are averaged in squares of one whole number of pixels, so that all pictures
    together stay within a pixel budget.
    """
    factor = max(1, math.ceil(math.sqrt(strip.size / _PIXEL_BUDGET)))
    means, covered = square_means(strip, origin, factor)
    return ShownStrip(_negative(means, window), covered, factor, strip.shape[1])


def section_pictures(
    shown: ShownStrip, *, pitch_mm: float, s_first_mm: float
) -> tuple[Picture, ...]:
    """The strip cut into sections of ``SECTION_MM``, at one scale; each reaches ``REPEAT_MM`` into
    its neighbours.

    They are cut at multiples of ``SECTION_MM`` from the datum, to the next square, but no nearer to
    the strip's ends than three times ``REPEAT_MM``.
    Pixels that no frame covered are hatched.
    """
    columns = _section_columns(shown.columns, pitch_mm, s_first_mm)
    return tuple(
        cut_picture(shown, start, stop, pitch_mm=pitch_mm, s_first_mm=s_first_mm)
        for start, stop in columns
    )


def cut_picture(
    shown: ShownStrip,
    start: int,
    stop: int,
    rows: slice = slice(None),
    *,
    pitch_mm: float,
    s_first_mm: float,
    jpeg_quality: int = _JPEG_QUALITY,
) -> Picture:
    """Strip columns ``start`` to ``stop``, out to whole squares, as a picture; ``rows`` are the
    shown strip's."""
    first, last = start // shown.factor, -(-stop // shown.factor)
    part = np.s_[rows, first:last]
    gray = shown.gray[part]
    if shown.covered is not None:
        gray = _hatched(gray, shown.covered[part])
    left_mm = s_first_mm + (first * shown.factor - 0.5) * pitch_mm
    return Picture(
        _encode(gray, jpeg_quality),
        gray.shape[1],
        gray.shape[0],
        left_mm,
        left_mm + gray.shape[1] * shown.factor * pitch_mm,
    )


def detail_picture(
    strip: RawImage, origin: FlagImage, columns: slice, rows: slice
) -> tuple[str, Window]:
    """A part of the strip pixel by pixel as a data URI, with the gray window of its own that it is
    shown in; at least one pixel."""
    part = np.s_[rows, columns]
    window = display_window(strip[part], origin[part])
    gray = _negative(strip[part], window)
    gray = _hatched(gray, (origin[part] != Origin.NOT_COVERED).astype(np.uint8))
    return _encode(gray, _JPEG_QUALITY), window


def _section_columns(columns: int, pitch_mm: float, s_first_mm: float) -> list[tuple[int, int]]:
    """The first column of each section, and the one behind its last."""

    def column(s_mm: float) -> int:
        return min(round((s_mm - s_first_mm) / pitch_mm), columns)

    # No cut so near an end that one of the pictures would show next to nothing of its own.
    least_mm = 3 * REPEAT_MM
    cut_mm = SECTION_MM * (math.floor((s_first_mm + least_mm) / SECTION_MM) + 1)
    last_mm = s_first_mm + columns * pitch_mm - least_mm
    edges, first = [], 0
    while cut_mm < last_mm:
        edges.append((first, column(cut_mm + REPEAT_MM)))
        first = column(cut_mm - REPEAT_MM)
        cut_mm += SECTION_MM
    return [*edges, (first, columns)]


def ring_picture(
    shown: ShownStrip,
    *,
    pitch_mm: float,
    s_first_mm: float,
    circumference_mm: float,
    clockwise: bool,
) -> str:
    """The strip bent round the pipe, datum at 12 o'clock, as the data URI of a square picture.

    Only the band between the radii ``RING_BAND`` is meant to be seen. The first row lies inside.
    The band's width is not to scale. Where the strip doesn't reach, the band is hatched as not
    covered.
    """
    half = _RING_PX / 2
    inner, outer = (radius * half for radius in RING_BAND)
    # Coarse enough that the polar map, which takes single points, skips no columns.
    finest = math.ceil(2 * math.pi * outer * shown.columns * pitch_mm / circumference_mm)
    size = (min(shown.gray.shape[1], finest), round(outer - inner))
    values = cv2.resize(shown.gray, size, interpolation=cv2.INTER_AREA)

    y, x = np.mgrid[:_RING_PX, :_RING_PX].astype(np.float32) + np.float32(0.5 - half)
    turn = np.arctan2(x if clockwise else -x, -y) / np.float32(2 * np.pi)
    turn -= np.float32(s_first_mm / circumference_mm)
    turn -= np.floor(turn)
    radius = np.hypot(x, y)
    shown_mm = shown.gray.shape[1] * shown.factor * pitch_mm
    column = turn * np.float32(circumference_mm * size[0] / shown_mm)
    row = (radius - inner).astype(np.float32)
    gray = cv2.remap(values, column, row, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    seen = (column <= size[0] - 0.5).astype(np.uint8)
    if shown.covered is not None:
        covered = cv2.resize(shown.covered, size, interpolation=cv2.INTER_AREA)
        seen &= cv2.remap(covered, column, row, cv2.INTER_NEAREST, borderMode=cv2.BORDER_REPLICATE)
    return _encode(_hatched(gray, seen), _JPEG_QUALITY)


def _negative(values: RawImage, window: Window) -> NDArray[np.uint8]:
    """More radiation is darker."""
    steps = 255 / (window.high - window.low)
    inside = np.clip(
        values,
        np.uint16(max(0, math.ceil(window.low))),
        np.uint16(min(65_535, math.floor(window.high))),
    )
    return np.asarray(cv2.convertScaleAbs(inside, alpha=-steps, beta=steps * window.high), np.uint8)


def _hatched(gray: NDArray[np.uint8], covered: FlagImage) -> NDArray[np.uint8]:
    """Stripes where nothing was covered."""
    if covered.all():
        return gray
    rows, columns = gray.shape
    diagonal = np.arange(rows)[:, None] + np.arange(columns)
    stripes = np.where(diagonal % _HATCH_PX < _HATCH_PX // 2, 232, 168).astype(np.uint8)
    return np.where(covered != 0, gray, stripes)


def _encode(picture: NDArray[np.uint8], jpeg_quality: int) -> str:
    done, encoded = cv2.imencode(".jpg", picture, (cv2.IMWRITE_JPEG_QUALITY, jpeg_quality))
    if not done:
        raise RuntimeError(f"could not encode a {picture.shape} picture")
    return f"data:image/jpeg;base64,{base64.b64encode(encoded.tobytes()).decode('ascii')}"
