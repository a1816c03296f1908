"""Profiles across the wires of a single-wire gauge, and how strongly each place looks like a wire.

Everything is the natural logarithm of gray values, positive where darker, so that a wire's depth
is in proportion to its thickness.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.model import FloatArray

BAND_MM = 1.0
_FINE_MM = 0.01
_WINDOW = 0.3  # of the wires' spacing: how far to each side a wire's ground is looked at
_BLUR_OF_SR_B = 0.7
"""Standard deviation of a Gaussian blur in parts of its SR_b: between 0.6 and 0.75 for 0.07 to
0.3 mm (computed for platinum wires and the 20 % rule)."""
_FAR = 3.5  # standard deviations beyond which a response isn't noise


@dataclass(frozen=True, slots=True)
class Bands:
    """Depth averaged over bands of about 1 mm along the wires, (bands, columns), each band's
    median taken out; ``ground`` is that median, ``at_px`` the bands' middle rows."""

    depth: FloatArray
    ground: FloatArray
    at_px: FloatArray
    rows: int  # in a band

    def part(self, first: int, last: int) -> Bands:
        """Bands ``first`` … ``last`` − 1."""
        some = slice(first, last)
        return Bands(self.depth[some], self.ground[some], self.at_px[some], self.rows)


@dataclass(frozen=True, slots=True)
class WireFilter:
    """Least squares of a wire's blurred shape and a straight ground in a window.

    ``kernel`` gives the depth of the shape's middle; ``peak_mm`` is the thickness seen there: less
    than the diameter, because of the blur. The shape, 1 in the middle, is known at ``fine_px``.
    """

    kernel: FloatArray
    peak_mm: float
    half_width_px: float
    fine_px: FloatArray
    fine: FloatArray

    def shape(self, away_px: FloatArray) -> FloatArray:
        """The shape so far from the wire's middle."""
        return np.interp(away_px, self.fine_px, self.fine, left=0.0, right=0.0)


def make_bands(values: FloatArray, pitch_mm: float) -> Bands:
    """``values`` (rows along the wires, columns across), positive; rows left over are dropped."""
    rows = max(2, round(BAND_MM / pitch_mm))
    count = len(values) // rows
    depth = -np.log(values[: count * rows])
    depth = depth.reshape(count, rows, -1).mean(axis=1)
    ground = np.median(depth, axis=1)
    at_px = (np.arange(count, dtype=np.float64) + 0.5) * rows - 0.5
    return Bands(depth - ground[:, None], -ground, at_px, rows)


def lean(
    bands: Bands, slopes: FloatArray, about_px: float, weights: FloatArray | None
) -> FloatArray:
    """The (weighted) mean of the bands along wires that lean by ``slopes`` columns a row, (slopes,
    columns).

    Columns are those in row ``about_px``.
    """
    count = bands.depth.shape[1]
    share = np.ones(len(bands.at_px)) if weights is None else weights
    share = share / share.sum()
    found = np.zeros((len(slopes), count))
    for one, at, some in zip(bands.depth, bands.at_px, share, strict=True):
        columns = np.arange(count) + (slopes * (at - about_px))[:, None]
        columns = np.clip(columns, 0, count - 1)
        before = np.minimum(columns.astype(np.int64), count - 2)
        part = columns - before
        found += some * (one[before] * (1 - part) + one[before + 1] * part)
    return found


def wire_filters(
    diameters_mm: Sequence[float], *, spacing_mm: float, sr_b_mm: float, pitch_mm: float
) -> tuple[WireFilter, ...]:
    """A filter for each diameter, in the plane in which ``pitch_mm`` holds."""
    half = max(4, round(_WINDOW * spacing_mm / pitch_mm))
    at_mm = np.arange(-half, half + 1, dtype=np.float64) * pitch_mm
    return tuple(_filter(one, at_mm, _BLUR_OF_SR_B * sr_b_mm, pitch_mm) for one in diameters_mm)


def respond(profiles: FloatArray, filters: Sequence[WireFilter]) -> FloatArray:
    """The depth of each wire at every column, (profiles, wires, columns), of ``profiles`` (…,
    columns); the ends are taken as going on evenly. The filters are equally long."""
    kernels = np.stack([one.kernel for one in filters])
    half = kernels.shape[1] // 2
    padded = np.pad(profiles, ((0, 0), (half, half)), mode="edge")
    windows = np.lib.stride_tricks.sliding_window_view(padded, kernels.shape[1], axis=1)
    return np.asarray((windows @ kernels.T).transpose(0, 2, 1))


def scatter(response: FloatArray) -> FloatArray:
    """Standard deviation of responses (…, columns) where nothing is; what stands out by far is left
    out."""
    off = response - np.median(response, axis=-1, keepdims=True)
    spread = 1.4826 * np.median(np.abs(off), axis=-1, keepdims=True)
    near = np.abs(off) <= _FAR * spread
    number = near.sum(axis=-1)
    return np.asarray(np.sqrt((off**2 * near).sum(axis=-1) / np.maximum(number, 1)))


def _filter(diameter_mm: float, at_mm: FloatArray, blur_mm: float, pitch_mm: float) -> WireFilter:
    reach = diameter_mm / 2 + 5 * blur_mm
    steps = math.ceil(reach / _FINE_MM)
    fine = np.arange(-steps, steps + 1, dtype=np.float64) * _FINE_MM
    chord = 2 * np.sqrt(np.maximum((diameter_mm / 2) ** 2 - fine**2, 0))
    chord *= math.pi * (diameter_mm / 2) ** 2 / (chord.sum() * _FINE_MM)  # thin wires: few steps
    blur = np.exp(-0.5 * (fine / blur_mm) ** 2)
    seen = np.convolve(chord, blur / blur.sum(), mode="same")
    fine_px, fine_shape = fine / pitch_mm, seen / seen.max()
    shape = np.interp(at_mm, fine, fine_shape, left=0, right=0)
    terms = np.stack([shape, np.ones_like(shape), at_mm], axis=1)
    half_width = float(fine_px[np.flatnonzero(fine_shape > 0.1)[-1]])
    return WireFilter(np.linalg.pinv(terms)[0], float(seen.max()), half_width, fine_px, fine_shape)
