"""Where a duplex wire gauge lies in a picture, and its profile across the wires."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.model import FloatArray, FloatImage

_GROUND_MM = 5.0
_SHORTEST_MM = 2.0
_WIDEST_MM = 2.8  # a pair of the thickest wires, blurred into one
_SLIMNESS = 3.5  # length over width of a wire or a merged pair
_MOST_TILT_DEG = 12.0
BINS_PER_PX = 8
_USED_LENGTH = 0.6  # of the wires: common practice, no published source
_SLOPE_ROUNDS = 8
_SETTLED_PX = 0.001
_HALF_SPAN_MM = 75.0  # a gauge's length is about 70 mm

Labels = NDArray[np.int32]


@dataclass(frozen=True, slots=True)
class DuplexPlace:
    """The wires' direction and reach. If ``turned``, wires run along the picture's rows.

    All places are in the picture as it is after transposing a turned one: wires then run down the
    columns, leaning by ``slope`` columns a row. ``first_row`` … ``last_row`` is the middle part of
    the wires' length, ``column`` that of the thick wires' mean at ``first_row``.
    """

    turned: bool
    slope: float
    first_row: int
    last_row: int
    column: float

    @property
    def tilt_deg(self) -> float:
        """By how much the wires lean from the panel's rows or columns."""
        return math.degrees(math.atan(self.slope))

    def in_picture(self, square_px: float) -> tuple[float, float]:
        """The (row, column) half way along the used part of the wires, at a profile's place."""
        row = (self.first_row + self.last_row) / 2
        column = square_px / math.cos(math.atan(self.slope))
        column += self.slope * (row - self.first_row)
        return (column, row) if self.turned else (row, column)


@dataclass(frozen=True, slots=True)
class Profile:
    """The mean over ``lines`` rows across the wires, as gray values; ``at_mm`` rises."""

    at_mm: FloatArray
    values: FloatArray
    lines: int


def find_duplex(image: FloatImage, pitch_mm: float) -> DuplexPlace | None:
    """Where the gauge lies; None if no set of slim parallel shadows is seen.

    ``image`` (rows, columns) is linear in dose. The gauge's thick wires must be the largest group
    of slim parallel shadows in it, and lie within 12° of the rows or columns.
    """
    relief = _shadow(image, pitch_mm)
    best: tuple[float, DuplexPlace] | None = None
    for turned in (False, True):
        found = _slim_shadows(relief.T if turned else relief, pitch_mm)
        if found is not None and (best is None or found[0] > best[0]):
            _, slope, first, last, column = found
            best = found[0], DuplexPlace(turned, slope, first, last, column)
    if best is None:
        return None
    place = best[1]
    upright = image.T if place.turned else image
    slope = _refined_slope(upright, place, pitch_mm)
    return DuplexPlace(place.turned, slope, place.first_row, place.last_row, place.column)


def duplex_profile(
    image: FloatImage, place: DuplexPlace, pitch_mm: float, *, without: slice | None = None
) -> Profile:
    """The profile across the wires, ⅛ px a step, from the middle 60 % of their length.

    Lines ``without``, counted from the first that is used, are left out.

    Every pixel is put where it lies across the wires; because these lean, the rows sample the
    profile at ever other places, and the mean of each step is the profile before the pixels'
    sampling, without an interpolation's blur. ``at_mm`` is counted square to the wires.
    """
    upright = image.T if place.turned else image
    bins, places, rows, values = _binned(upright, place, place.slope, pitch_mm, BINS_PER_PX)
    lines = place.last_row - place.first_row + 1
    if without is not None:
        used = (rows < without.start) | (rows >= without.stop)
        bins, places, values = bins[used], places[used], values[used]
        lines -= without.stop - without.start
    number = np.bincount(bins)
    filled = np.flatnonzero(number)  # few rows, or no lean, leave steps empty
    at = np.bincount(bins, places)[filled] / number[filled]
    square = math.cos(math.atan(place.slope)) * pitch_mm
    means = np.bincount(bins, values)[filled] / number[filled]
    return Profile(at * square, means, lines)


def _shadow(image: FloatImage, pitch_mm: float) -> FloatImage:
    """How much darker (natural logarithm) each pixel is than its wider surroundings."""
    import cv2  # noqa: PLC0415

    floor = max(float(np.median(image)) * 1e-3, 1e-6)
    log = np.log(np.maximum(image, np.float32(floor)))
    # Closing fills what is dark and narrower than the window, along the rows or the columns.
    window = 2 * round(_GROUND_MM / pitch_mm / 2) + 1
    smooth = cv2.GaussianBlur(log, (0, 0), 0.7)
    kernel = np.ones((window, 1), np.uint8), np.ones((1, window), np.uint8)
    closed = np.maximum(*(cv2.morphologyEx(smooth, cv2.MORPH_CLOSE, one) for one in kernel))
    return np.asarray(closed - smooth)


def _slim_shadows(
    relief: FloatImage, pitch_mm: float
) -> tuple[float, float, int, int, float] | None:
    """(total length, slope, first row, last row, column) of the slim upright shadows, if any."""
    import cv2  # noqa: PLC0415

    noise = 1.4826 * float(np.median(np.abs(relief - np.median(relief))))
    strongest = float(np.quantile(relief, 0.9995))
    level = max(0.35 * strongest, 8 * noise, 0.03)
    count, labels, stats, _ = cv2.connectedComponentsWithStats((relief > level).astype(np.uint8))
    slim: list[tuple[float, float, float, float, float]] = []
    for number in range(1, count):
        left, top, width, height, area = stats[number]
        if height * pitch_mm < _SHORTEST_MM or area > width * height:
            continue
        block = labels[top : top + height, left : left + width] == number
        rows, columns = np.nonzero(block)
        centre_row, centre_column = rows.mean(), columns.mean()
        variance = float(((rows - centre_row) ** 2).mean())
        slope = float(((rows - centre_row) * (columns - centre_column)).mean()) / variance
        across = columns - centre_column - slope * (rows - centre_row)
        wide = math.sqrt(12 * float((across**2).mean()) + 1)
        if wide * pitch_mm > _WIDEST_MM or height < _SLIMNESS * wide:
            continue
        if abs(slope) > math.tan(math.radians(_MOST_TILT_DEG)):
            continue
        slim.append((float(height), slope, top, top + height - 1, left + centre_column))
    if len(slim) < 2:
        return None
    lengths, slopes, firsts, lasts, columns_at = np.array(slim).T
    # Wires are the longest: lead letters and scratches are shorter.
    wires = lengths > 0.6 * lengths.max()
    wires &= np.abs(slopes - np.median(slopes[wires])) < math.tan(math.radians(2))
    if np.count_nonzero(wires) < 2:
        return None
    first, last = float(np.median(firsts[wires])), float(np.median(lasts[wires]))
    cut = (1 - _USED_LENGTH) / 2 * (last - first)
    slope = float(np.average(slopes[wires], weights=lengths[wires]))
    first_row, last_row = math.ceil(first + cut), math.floor(last - cut)
    middle = (firsts[wires] + lasts[wires]) / 2
    column = float(np.mean(columns_at[wires] + slope * (first_row - middle)))
    return float(lengths[wires].sum()), slope, first_row, last_row, column


def _refined_slope(upright: FloatImage, place: DuplexPlace, pitch_mm: float) -> float:
    """The slope at which every row shows the mean profile, by Gauss and Newton's method."""
    slope = place.slope
    for _ in range(_SLOPE_ROUNDS):
        bins, places, rows, values = _binned(upright, place, slope, pitch_mm, BINS_PER_PX)
        number = np.bincount(bins)
        filled = np.flatnonzero(number)
        at = np.bincount(bins, places)[filled] / number[filled]
        mean = np.bincount(bins, values)[filled] / number[filled]
        gradient = np.interp(places, at, np.gradient(mean, at))
        lever = -gradient * (rows - rows.mean())
        error = values - np.interp(places, at, mean)
        step = float(lever @ error) / float(lever @ lever)
        slope += step
        if abs(step) * (place.last_row - place.first_row) < _SETTLED_PX:
            break
    return slope


def _binned(
    upright: FloatImage, place: DuplexPlace, slope: float, pitch_mm: float, bins_per_px: int
) -> tuple[NDArray[np.int64], FloatArray, NDArray[np.int64], FloatArray]:
    """(step number, column it would have in the first row, row, value) of the gauge's pixels."""
    reach = _HALF_SPAN_MM / pitch_mm
    first = max(0, math.floor(place.column - reach))
    last = min(upright.shape[1] - 1, math.ceil(place.column + reach))
    block = upright[place.first_row : place.last_row + 1, first : last + 1]
    lean = slope * np.arange(block.shape[0])
    places = np.arange(block.shape[1]) - lean[:, None]
    low, high = math.ceil(-float(lean.min())), math.floor(block.shape[1] - 1 - float(lean.max()))
    bins = np.floor((places - low) * bins_per_px).astype(np.int64)
    inside = (bins >= 0) & (bins < (high - low) * bins_per_px)
    rows = np.nonzero(inside)[0]
    return bins[inside], first + places[inside], rows, block[inside].astype(np.float64)
