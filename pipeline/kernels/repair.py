"""Flagging saturated pixels, filling flagged ones: so that an interpolation beside them is calm."""

from __future__ import annotations

import numba as nb
import numpy as np

from pipeline.model import FlagImage, FloatImage, RawImage


@nb.njit(nogil=True, cache=True)
def _flag_from(raw, limit, flag, flags):  # type: ignore[no-untyped-def]
    for r in range(raw.shape[0]):
        for c in range(raw.shape[1]):
            flags[r, c] = flag if raw[r, c] >= limit else np.uint8(0)


def flag_saturated(raw: RawImage, limit_gv: int, flag: int) -> FlagImage:
    """A flag image: ``flag`` where ``raw`` is at or above ``limit_gv``, 0 elsewhere."""
    flags = np.empty(raw.shape, dtype=np.uint8)
    _flag_from(raw, np.uint16(limit_gv), np.uint8(flag), flags)
    return flags


@nb.njit(nogil=True, cache=True)
def _fill(values, flags, radius, max_radius):  # type: ignore[no-untyped-def]
    rows, columns = values.shape
    left = 0
    for r in range(rows):
        for c in range(columns):
            if flags[r, c] == 0:
                continue
            reach, total, weights = radius, 0.0, 0.0
            while weights == 0.0 and reach <= max_radius:
                for y in range(max(r - reach, 0), min(r + reach + 1, rows)):
                    for x in range(max(c - reach, 0), min(c + reach + 1, columns)):
                        if flags[y, x] == 0:
                            w = 1.0 / ((y - r) ** 2 + (x - c) ** 2) ** 2
                            total += w * values[y, x]
                            weights += w
                reach += 1
            if weights > 0.0:
                values[r, c] = total / weights
            else:
                left += 1
    return left


def fill_flagged(
    values: FloatImage, flags: FlagImage, *, radius_px: int, max_radius_px: int = 64
) -> int:
    """Put, in place, a mean of their good neighbours into the flagged pixels of ``values``.

    Neighbours within ``radius_px`` (rows and columns) weigh 1/distance⁴; where there are none the
    reach grows to ``max_radius_px``. Returns how many pixels found no neighbour at all and kept
    their value. Flags are not changed: a filled pixel still weighs nothing in the strip.
    """
    return int(_fill(values, flags, radius_px, max_radius_px))


@nb.njit(nogil=True, cache=True)
def _close(values, sigma, origin, measured, filled, radius):  # type: ignore[no-untyped-def]
    rows, columns = values.shape
    done = 0
    for r in range(rows):
        for c in range(columns):
            if origin[r, c] != 0:
                continue
            total, weights, spread = 0.0, 0.0, 0.0
            sides = 0
            for axis in range(2):
                found = 0
                for sign in (-1, 1):
                    for d in range(1, radius + 1):
                        y = r + sign * d * axis
                        x = c + sign * d * (1 - axis)
                        if y < 0 or y >= rows or x < 0 or x >= columns:
                            break
                        if origin[y, x] == measured:
                            found += 1
                            break
                if found == 2:
                    sides += 1
            if sides == 0:
                continue
            for y in range(max(r - radius, 0), min(r + radius + 1, rows)):
                for x in range(max(c - radius, 0), min(c + radius + 1, columns)):
                    if origin[y, x] == measured:
                        w = 1.0 / ((y - r) ** 2 + (x - c) ** 2) ** 2
                        total += w * values[y, x]
                        spread += w * sigma[y, x]
                        weights += w
            values[r, c] = np.uint16(total / weights + 0.5)
            sigma[r, c] = np.uint16(spread / weights + 0.5)
            origin[r, c] = filled
            done += 1
    return done


def close_holes(
    strip: RawImage,
    sigma: RawImage,
    origin: FlagImage,
    *,
    radius_px: int,
    measured: int,
    filled: int,
) -> int:
    """Fill, in place, strip pixels that no frame measured but that lie between measured ones.

    A hole is filled only when measured pixels stand on two opposite sides within ``radius_px``, so
    that the strip never grows beyond what was seen. Returns how many were filled; ``origin`` tells
    which.
    """
    return int(_close(strip, sigma, origin, np.uint8(measured), np.uint8(filled), radius_px))
