"""The shapes that a weld's cap and root are fitted with, averaged over bins, with derivatives."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.model import FloatArray

_NODES = 2048  # of the table of a shape's area: right to 1e-6 of a bin's mean


@dataclass(frozen=True, slots=True)
class Shape:
    """A shape of height 1 as the bins' means, and its derivatives, all (caps, bins)."""

    value: FloatArray
    by_centre: FloatArray
    by_half_width: FloatArray


@dataclass(frozen=True, slots=True)
class CapShapes:
    """Of each cap the forms: (1 − x²)^``power`` with x from −1 to 1 between the toes, and a raised
    cosine of ``root`` times the cap's width; arrays (caps,)."""

    power: FloatArray
    root: FloatArray
    bin_mm: float

    def of(self, which: NDArray[Any]) -> CapShapes:
        """Some of the caps."""
        return CapShapes(self.power[which], self.root[which], self.bin_mm)

    def at(self, z_mm: FloatArray, state: FloatArray) -> tuple[Shape, Shape]:
        """Cap and root in bins about ``z_mm`` (caps, bins), evenly apart, for ``state`` (caps, 2):
        centre and half width."""
        centre, half_width = state[:, :1], state[:, 1:]
        edges = np.concatenate([z_mm, z_mm[:, -1:] + self.bin_mm], axis=1) - self.bin_mm / 2
        x = (edges - centre) / half_width
        inside = np.clip(x, -1, 1)
        height = np.maximum(1 - inside**2, 0) ** self.power[:, np.newaxis]
        cap = _binned(x, height, _areas(inside, self.power), half_width, self.bin_mm)
        root = self.root[:, np.newaxis]
        turn = np.clip(x / root, -1, 1) * np.pi
        height = 0.5 * (1 + np.cos(turn))
        area = 0.5 * root * (turn + np.sin(turn)) / np.pi
        return cap, _binned(x, height, area, half_width, self.bin_mm)


def _binned(
    x: FloatArray, height: FloatArray, area: FloatArray, half_width: FloatArray, bin_mm: float
) -> Shape:
    """From heights and areas at the bins' edges ``x``, in half widths from the centre."""
    mean = np.diff(area, axis=1) * half_width / bin_mm
    by_centre = -np.diff(height, axis=1) / bin_mm
    by_half_width = (np.diff(area, axis=1) - np.diff(x * height, axis=1)) / bin_mm
    return Shape(mean, by_centre, by_half_width)


def _areas(x: FloatArray, power: FloatArray) -> FloatArray:
    """The area of (1 − x²)^power from the middle to x in −1 … 1, (caps, edges)."""
    found = np.empty_like(x)
    for one in np.unique(power):
        mine = power == one
        found[mine] = np.interp(x[mine], *_area_table(float(one)))
    return found


@lru_cache(maxsize=16)
def _area_table(power: float) -> tuple[FloatArray, FloatArray]:
    """x and area; with x = sin θ it is the integral of cos^(2·power + 1) θ, by Simpson's rule."""
    angle = np.linspace(-np.pi / 2, np.pi / 2, 2 * _NODES + 1)
    height = np.maximum(np.cos(angle), 0) ** (2 * power + 1)
    step = angle[1] - angle[0]
    parts = (height[:-1:2] + 4 * height[1::2] + height[2::2]) * step / 3
    area = np.concatenate([[0.0], np.cumsum(parts)])
    return np.sin(angle[::2]), np.asarray(area - area[_NODES // 2])
