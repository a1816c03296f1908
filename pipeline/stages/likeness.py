"""Which of many pictures show the same metal, wherever on the panel: small sketches compared."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import NormalDist

import cv2
import numpy as np

from pipeline.model import FloatArray, FloatImage
from pipeline.stages.views import COARSE, View

_MOST_COLUMNS = 256  # of a sketch
_RANGE = 6.0  # robust standard deviations of the texture that a sketch's byte holds
_FULL = 127  # the gray value of that
_ALONG_PX = 9  # along the scan: what is longer doesn't tell one place from another
_TAME = 2.5  # standard deviations of a row's texture that count
_CELL_PX = 3.0  # pixels that count as one independent sample, squared
_CHANCE = 1e-3  # how often unlike pictures may seem alike anywhere in a scan
_LEAST_OVERLAP = 0.12  # of a frame's length
_AT_ONCE = 16  # pictures compared with all others at once: bounds the memory
_PARTS = (6, 3)  # of an overlap, down and along; along fewer where it is small
_PART_SAMPLES = 8  # independent ones that a part should have
_PART_SIGMAS = 1.5  # a part in which the two are alike: chance does as well in 7 % of them
_THROUGHOUT = 0.8  # of the parts


@dataclass(frozen=True, slots=True)
class Likeness:
    """Pictures ``a`` < ``b`` show the same where b is moved by ``step_px`` (of the sketches) along
    the scan; ``sigmas`` how far that stands out from chance."""

    a: int
    b: int
    step_px: int
    sigmas: float


def sketch_pitch_mm(view: View) -> float:
    """How much of the metal a pixel of the view's sketch shows."""
    return view.grid.pitch_mm * COARSE * _factor(view)


def sketch_of(view: View) -> np.ndarray:
    """The view's texture small and with strong contrasts cut, a byte (int8) a pixel."""
    factor = _factor(view)
    rows, columns = (side // factor for side in view.coarse.shape)
    whole = view.coarse[: rows * factor, : columns * factor]
    small = cv2.resize(whole, (columns, rows), interpolation=cv2.INTER_AREA)
    most = _RANGE * 1.4826 * float(np.median(np.abs(small[::4, ::2]))) or 1.0
    return np.asarray(np.clip(small * (_FULL / most), -_FULL, _FULL).astype(np.int8))


def _factor(view: View) -> int:
    return max(math.ceil(int(view.coarse.shape[1]) / _MOST_COLUMNS), 1)


def find_likenesses(sketches: Sequence[np.ndarray], reach_rows: int) -> list[Likeness]:
    """All pairs of pictures that are alike throughout and beyond chance, at any step along the scan
    that leaves an overlap, and up to ``reach_rows`` along the pipe.

    Normalised correlation of the overlapping columns, made a normal deviate by Fisher's
    transformation (1915); Bonferroni's bound over all pairs and shifts decides. The best shift
    counts if the parts of the overlap are alike each by itself: gauges of one kind, or marks of
    lead, are alike too, but what lies about them isn't. The sums over rows are matrix products for
    each spatial frequency along the scan.
    """
    pictures = _levelled(sketches)
    count, rows, columns = pictures.shape
    reach_rows = min(reach_rows, rows // 4)
    spectra = np.fft.rfft(pictures, 2 * columns, axis=2).astype(np.complex64)
    spectra = np.ascontiguousarray(spectra.transpose(2, 0, 1))
    most = int((1 - _LEAST_OVERLAP) * columns)
    steps = np.arange(-most, most + 1)
    energy, behind = _energy(pictures, steps), _energy(pictures, -steps)
    spread = np.sqrt(np.maximum(rows * (columns - np.abs(steps)) / _CELL_PX**2 - 3, 1.0))
    searched = count**2 / 2 * (len(steps) / _CELL_PX) * ((2 * reach_rows + 1) / _CELL_PX)
    least = NormalDist().inv_cdf(1 - _CHANCE / max(searched, 1.0))
    found = []
    for first in range(0, count, _AT_ONCE):
        some = slice(first, first + _AT_ONCE)
        norm = np.sqrt(np.maximum(energy[some, np.newaxis] * behind[first:], 1e-6))
        best = np.zeros((3, *norm.shape[:2]))  # deviate, step, shift along the pipe
        for down in range(-reach_rows, reach_rows + 1):
            here = slice(max(0, -down), rows - max(0, down))
            there = slice(max(0, down), rows - max(0, -down))
            product = np.conj(spectra[:, some, here]) @ spectra[:, first:, there].transpose(0, 2, 1)
            # b shows at column c − step what a shows at c.
            sums = np.fft.irfft(product, axis=0)[-steps].transpose(1, 2, 0)
            sigmas = np.arctanh(np.clip(sums / norm, -0.999, 0.999)) * spread
            at = sigmas.argmax(axis=2)
            top = np.take_along_axis(sigmas, at[:, :, np.newaxis], axis=2)[:, :, 0]
            best = np.where(top > best[0], (top, steps[at], np.full(at.shape, down)), best)
        for k, other in np.argwhere(best[0] > least):
            sigma, step, down = best[:, k, other]
            if k < other and _throughout(
                pictures[first + k], pictures[first + other], int(step), int(down)
            ):
                found.append(Likeness(int(first + k), int(first + other), int(step), float(sigma)))
    return found


def _levelled(sketches: Sequence[np.ndarray]) -> FloatImage:
    """(picture, row, column) without what all have in common at the same place (the panel's own
    pattern) and what goes on along a row (the weld's edges, a strip of lead); rows equally strong,
    and strong contrasts cut, so that lead has no more say than metal."""
    pictures = np.stack(sketches).astype(np.float32)
    pictures -= pictures.mean(axis=0)
    for k, picture in enumerate(pictures):
        pictures[k] -= cv2.blur(picture, (_ALONG_PX, 1), borderType=cv2.BORDER_REFLECT)
    pictures /= pictures.std(axis=(0, 2), keepdims=True) + 1.0
    return np.asarray(np.clip(pictures, -_TAME, _TAME))


def _energy(pictures: FloatImage, steps: np.ndarray) -> FloatArray:
    """(picture, step): the sum of squares of a picture's columns that another one, ``step`` columns
    further on, shows as well."""
    columns = pictures.shape[2]
    sums = np.zeros((len(pictures), columns + 1))
    np.cumsum(np.square(pictures).sum(axis=1), axis=1, out=sums[:, 1:])
    return np.asarray(sums[:, columns + np.minimum(steps, 0)] - sums[:, np.maximum(steps, 0)])


def _throughout(a: FloatImage, b: FloatImage, step: int, down: int) -> bool:
    """Whether most parts of the overlap are alike each by itself."""
    rows, columns = a.shape
    here = a[max(0, -down) : rows - max(0, down), max(0, step) : columns + min(0, step)]
    there = b[max(0, down) : rows - max(0, -down), max(0, -step) : columns - max(0, step)]

    samples = here.size / _CELL_PX**2
    parts = _PARTS[0], min(max(int(samples / _PARTS[0] / _PART_SAMPLES), 1), _PARTS[1])

    def mean_of_parts(picture: FloatImage) -> FloatImage:
        return np.asarray(cv2.resize(picture, parts[::-1], interpolation=cv2.INTER_AREA))

    power = mean_of_parts(here * here) * mean_of_parts(there * there)
    alike = mean_of_parts(here * there) / np.sqrt(power + 1e-6)
    spread = math.sqrt(max(samples / math.prod(parts) - 3, 1.0))
    sigmas = np.arctanh(np.clip(alike, -0.999, 0.999)) * spread
    return bool((sigmas > _PART_SIGMAS).mean() >= _THROUGHOUT)
