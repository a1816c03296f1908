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

from pipeline.model import FlagImage, FloatImage, Origin, RawImage

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

_PIXEL_BUDGET = 6_000_000  # of all section pictures together; keeps the report below 8 MB
_JPEG_QUALITY = 92
_RING_PX = 760  # side of the ring picture
_RING_BAND = (0.58, 0.87)  # inner and outer radius of the ring, of half the side
_CHUNK_SQUARES = 256
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


def section_pictures(
    strip: RawImage, origin: FlagImage, window: Window, *, pitch_mm: float, s_first_mm: float
) -> tuple[Picture, ...]:
    """The strip cut into sections of ``SECTION_MM`` plus ``REPEAT_MM`` each side, at one scale.

    They are cut at multiples of ``SECTION_MM`` from the datum; the first one begins with the strip
    and is no shorter than the others, but up to ``2 * REPEAT_MM`` longer.

    Strip pixels are averaged in squares of one whole number of pixels, so that all pictures
    together stay within a pixel budget; pixels that no frame covered are hatched.
    """
    factor = max(1, math.ceil(math.sqrt(strip.size / _PIXEL_BUDGET)))
    pictures = []
    for start, stop in _section_columns(strip.shape[1], pitch_mm, s_first_mm):
        values, covered = _block_mean(strip[:, start:stop], origin[:, start:stop], factor)
        shown = _negative(values, covered, window)
        pictures.append(
            Picture(
                _encode(".jpg", shown, (cv2.IMWRITE_JPEG_QUALITY, _JPEG_QUALITY)),
                shown.shape[1],
                shown.shape[0],
                s_first_mm + (start - 0.5) * pitch_mm,
                s_first_mm + (start - 0.5 + shown.shape[1] * factor) * pitch_mm,
            )
        )
    return tuple(pictures)


def _section_columns(columns: int, pitch_mm: float, s_first_mm: float) -> list[tuple[int, int]]:
    """The first column of each section, and the one behind its last."""

    def column(s_mm: float) -> int:
        return min(round((s_mm - s_first_mm) / pitch_mm), columns)

    # The second section begins well inside the first, not at or before the strip's start.
    cut_mm = SECTION_MM * (math.floor((s_first_mm + 3 * REPEAT_MM) / SECTION_MM) + 1)
    whole_mm = SECTION_MM + 2 * REPEAT_MM
    sections = [(0, column(max(s_first_mm + whole_mm, cut_mm + REPEAT_MM)))]
    while sections[-1][1] < columns:
        sections.append((column(cut_mm - REPEAT_MM), column(cut_mm - REPEAT_MM + whole_mm)))
        cut_mm += SECTION_MM
    return sections


def ring_picture(
    strip: RawImage,
    origin: FlagImage,
    window: Window,
    *,
    pitch_mm: float,
    s_first_mm: float,
    circumference_mm: float,
    clockwise: bool,
) -> str:
    """The strip bent round the pipe, datum at 12 o'clock, as a data URI with a clear background.

    The first row lies inside. The band's width is not to scale. Where the strip doesn't reach, the
    band is hatched as not covered.
    """
    half = _RING_PX / 2
    inner, outer = (radius * half for radius in _RING_BAND)
    # Coarse enough that the polar map, which takes single points, skips no columns.
    factor = max(1, round(circumference_mm / pitch_mm / (2 * math.pi * outer)))
    chunk = factor * _CHUNK_SQUARES  # a whole strip of masks would take more than the strip
    means = [
        _block_mean(strip[:, start : start + chunk], origin[:, start : start + chunk], factor)
        for start in range(0, strip.shape[1], chunk)
    ]
    values, covered = (np.concatenate(parts, axis=1) for parts in zip(*means, strict=True))
    values = cv2.resize(
        values, (values.shape[1], round(outer - inner)), interpolation=cv2.INTER_AREA
    )
    covered_rows = cv2.resize(covered, (values.shape[1], values.shape[0]))

    y, x = np.mgrid[:_RING_PX, :_RING_PX].astype(np.float32) + np.float32(0.5 - half)
    turn = (np.arctan2(x, -y) / (2 * np.pi)) % 1.0
    if not clockwise:
        turn = (1.0 - turn) % 1.0
    radius = np.hypot(x, y)
    along_mm = (turn * circumference_mm - s_first_mm) % circumference_mm
    column = (along_mm / (pitch_mm * factor)).astype(np.float32)
    row = (radius - inner).astype(np.float32)
    bent = cv2.remap(values, column, row, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    seen = cv2.remap(covered_rows, column, row, cv2.INTER_NEAREST, borderMode=cv2.BORDER_REPLICATE)
    seen[column > values.shape[1] - 0.5] = 0
    gray = _negative(bent, seen, window)
    edge = np.minimum(radius - inner, outer - radius)
    alpha = np.rint(255 * np.clip(edge + 0.5, 0, 1)).astype(np.uint8)
    gray[alpha == 0] = 0  # nothing to compress outside the band
    return _encode(".png", np.dstack([gray, gray, gray, alpha]), (cv2.IMWRITE_PNG_COMPRESSION, 2))


def _block_mean(strip: RawImage, origin: FlagImage, factor: int) -> tuple[FloatImage, FlagImage]:
    """Mean of the covered pixels in ``factor``² squares, and 1 where at least half were covered.

    Squares that stick out over the right or lower edge count what lies inside.
    """
    covered = origin != Origin.NOT_COVERED
    values = strip.astype(np.float32)
    if factor == 1:
        return values, covered.astype(np.uint8)
    area = np.outer(*(_inside(side, factor) for side in strip.shape))
    # Uncovered pixels are 0 in the strip, so they add nothing to the sums.
    weight = area if covered.all() else _square_sums(covered.astype(np.float32), factor)
    weighted = _square_sums(values, factor)
    means = np.divide(weighted, weight, out=np.zeros_like(weighted), where=weight > 0)
    return means, (weight >= 0.5 * area).astype(np.uint8)


def _inside(length: int, factor: int) -> FloatImage:
    """How many of the pixels of each run of ``factor`` lie inside ``length``."""
    starts = np.arange(0, length, factor)
    return np.minimum(length - starts, factor).astype(np.float32)


def _square_sums(image: FloatImage, factor: int) -> FloatImage:
    """Sums over ``factor``² squares; beyond the image's edge there is nothing."""
    rows, columns = image.shape
    beyond = (-rows % factor, -columns % factor)
    if any(beyond):
        image = np.pad(image, ((0, beyond[0]), (0, beyond[1])))
    size = (image.shape[1] // factor, image.shape[0] // factor)
    means = cv2.resize(image, size, interpolation=cv2.INTER_AREA)
    return np.asarray(means * factor**2, dtype=np.float32)


def _negative(values: FloatImage, covered: FlagImage, window: Window) -> NDArray[np.uint8]:
    """More radiation is darker; stripes where nothing was covered."""
    steps = 255 / (window.high - window.low)
    # Rounds and cuts off at 0 and 255.
    shown: NDArray[np.uint8] = cv2.convertScaleAbs(
        np.clip(values, window.low, window.high), alpha=-steps, beta=255 + steps * window.low
    )
    if not covered.all():
        rows, columns = values.shape
        diagonal = np.arange(rows)[:, None] + np.arange(columns)
        stripes = np.where(diagonal % _HATCH_PX < _HATCH_PX // 2, 232, 168).astype(np.uint8)
        shown = np.where(covered != 0, shown, stripes)
    return shown


def _encode(extension: str, picture: NDArray[np.uint8], options: tuple[int, int]) -> str:
    done, encoded = cv2.imencode(extension, picture, options)
    if not done:
        raise RuntimeError(f"could not encode a {picture.shape} picture as {extension}")
    kind = {".jpg": "jpeg", ".png": "png"}[extension]
    return f"data:image/{kind};base64,{base64.b64encode(encoded.tobytes()).decode('ascii')}"
