"""Maps of a panel as pictures for people: gray, change, bad pixels. Arrays in, encoded PNG out.

A map is shown no wider than a page takes it: averaged in squares where it holds values, but a bad
pixel is never averaged away: a square that holds one shows it.
"""

from __future__ import annotations

import base64
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.model import FlagImage, FloatImage, PixelClass

SHOWN_PX = 560
"""Greatest width of a picture, unless a panel's picture would be less than half of it."""
_PAPER = (251, 254, 255)  # the page's sheet, blue green red
_MARK_PX = ((0.012, 3), (0.05, 2), (1.0, 1))
"""How wide a marked square is shown up to which part of marked squares: large marks are seen at
once, but crowded they would hide how they lie."""

CLASS_COLOURS: dict[PixelClass, str] = {
    PixelClass.DEAD: "#000000",
    PixelClass.UNDER_RESPONDING: "#0072b2",
    PixelClass.OVER_RESPONDING: "#d55e00",
    PixelClass.NOISY: "#009e73",
    PixelClass.NON_UNIFORM: "#56b4e9",
    PixelClass.PERSISTENT: "#cc79a7",
    PixelClass.BAD_NEIGHBOURHOOD: "#b08a00",
}
"""Told apart by colour-blind readers too; a pixel of several classes shows the first of them."""
NOISE_REACH = 3.0
"""A map of changes reaches to so many times a pixel's noise at least: nothing but noise is pale."""

COME_COLOUR, GONE_COLOUR, KEPT_COLOUR = "#d55e00", "#0072b2", "#a9adb1"


@dataclass(frozen=True, slots=True)
class MapPicture:
    """A picture as a data URI, its size, and the values at the ends of its scale, if it has one."""

    uri: str
    width_px: int
    height_px: int
    low: float | None = None
    high: float | None = None


def gray_picture(image: FloatImage, good: NDArray[np.bool_]) -> MapPicture:
    """A map in gray, from its 0.5 (black) to its 99.5 percentile (white) over good pixels.

    Bad pixels take no part; a square of them alone is middle gray.
    """
    low, high = (float(value) for value in np.percentile(image[good], (0.5, 99.5)))
    span = max(high - low, 1e-6 * max(abs(high), 1.0))
    means, seen = block_means(image, good)
    shown = np.where(seen, np.clip((means - low) / span, 0, 1), 0.5)
    return _picture(np.rint(255 * shown).astype(np.uint8), low, high)


def change_picture(
    change: FloatImage,
    good: NDArray[np.bool_],
    reach: float | None = None,
    *,
    noise: float = 0.0,
) -> MapPicture:
    """A signed map: blue below zero, vermilion above, paper at zero, gray where bad.

    The scale ends at ``reach`` on both sides, or at the 99.5 percentile of the squares' means, but
    not before three times the ``noise`` of a pixel.
    """
    means, seen = block_means(change, good)
    if reach is None:
        reach = float(np.percentile(np.abs(means[seen]), 99.5)) if seen.any() else 0.0
        reach = max(reach, NOISE_REACH * noise)
    reach = max(reach, 1e-9)
    part = np.clip(means / reach, -1, 1)[..., None]
    end = np.where(part < 0, np.array(_bgr(GONE_COLOUR)), np.array(_bgr(COME_COLOUR)))
    paper = np.array(_PAPER, np.float64)
    colours = paper + np.abs(part) * (end - paper)
    colours[~seen] = _bgr(KEPT_COLOUR)
    return _picture(np.rint(colours).astype(np.uint8), -reach, reach)


def bad_pixel_picture(classes: FlagImage) -> MapPicture:
    """Every bad pixel as a small square in the colour of its class, on paper."""
    layers = [(classes & np.uint8(kind) != 0, CLASS_COLOURS[kind]) for kind in PixelClass]
    return _marks(layers[::-1])


def changed_pixel_picture(
    come: NDArray[np.bool_], gone: NDArray[np.bool_], kept: NDArray[np.bool_]
) -> MapPicture:
    """Bad pixels that have come, are gone, or were bad before and are so still."""
    return _marks([(kept, KEPT_COLOUR), (gone, GONE_COLOUR), (come, COME_COLOUR)])


def _marks(layers: list[tuple[NDArray[np.bool_], str]]) -> MapPicture:
    """Layers of marked pixels, later ones on top; each mark is wider than its pixel unless there
    are too many."""
    rows, columns = layers[0][0].shape
    factor = _factor(columns)
    size = -(-rows // factor), -(-columns // factor)
    pad = ((0, size[0] * factor - rows), (0, size[1] * factor - columns))
    squares = [
        np.pad(mask, pad).reshape(size[0], factor, size[1], factor).any(axis=(1, 3))
        for mask, _ in layers
    ]
    share = sum(float(np.mean(square)) for square in squares)
    side = next((width for most, width in _MARK_PX if share <= most), 1)
    kernel = np.ones((side, side), np.uint8)
    shown = np.full((*size, 3), _PAPER, np.uint8)
    for square, (_, colour) in zip(squares, layers, strict=True):
        shown[cv2.dilate(square.astype(np.uint8), kernel) != 0] = _bgr(colour)
    return _picture(shown)


def _factor(columns: int) -> int:
    return max(1, -(-columns // SHOWN_PX))


def block_means(
    image: FloatImage, good: NDArray[np.bool_]
) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
    """Means over the good pixels of squares that make a map small enough, and which have any."""
    factor = _factor(image.shape[1])
    rows, columns = image.shape
    pad = ((0, -rows % factor), (0, -columns % factor))
    weight = np.pad(good, pad)
    values = np.where(weight, np.pad(image, pad), 0.0)
    shape = weight.shape[0] // factor, factor, weight.shape[1] // factor, factor
    counts = weight.reshape(shape).sum(axis=(1, 3))
    sums = values.reshape(shape).sum(axis=(1, 3), dtype=np.float64)
    means = np.divide(sums, counts, out=np.zeros_like(sums), where=counts > 0)
    return means, counts > 0


def _bgr(colour: str) -> tuple[int, int, int]:
    red, green, blue = (int(colour[k : k + 2], 16) for k in (1, 3, 5))
    return blue, green, red


def _picture(
    shown: NDArray[np.uint8], low: float | None = None, high: float | None = None
) -> MapPicture:
    done, encoded = cv2.imencode(".png", shown, (cv2.IMWRITE_PNG_COMPRESSION, 7))
    if not done:
        raise RuntimeError(f"could not encode a {shown.shape} picture as PNG")
    text = base64.b64encode(encoded.tobytes()).decode("ascii")
    uri = f"data:image/png;base64,{text}"
    return MapPicture(uri, shown.shape[1], shown.shape[0], low, high)
