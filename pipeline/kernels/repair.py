"""Flagging saturated pixels, filling flagged ones: so that an interpolation beside them is calm."""

from __future__ import annotations

import numba as nb
import numpy as np

from pipeline.model import FlagImage, FloatImage, Origin, RawImage

MEASURED, FILLED = int(Origin.MEASURED), int(Origin.FILLED)


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


@nb.njit(inline="always")
def _add_good(values, flags, r, c, y, first, last, step, sums):  # type: ignore[no-untyped-def]
    """``sums`` (of values weighted by 1/distance⁴ from (r, c), of weights) with those of row y's
    good pixels from ``first`` to ``last`` added; places off the image are passed over."""
    total, weights = sums
    for x in range(first, last + 1, step):
        if 0 <= x < flags.shape[1] and flags[y, x] == 0:
            distance_sq = float((y - r) * (y - r) + (x - c) * (x - c))
            w = 1.0 / (distance_sq * distance_sq)
            total += w * values[y, x]
            weights += w
    return total, weights


@nb.njit(inline="always")
def _near_weights(radius):  # type: ignore[no-untyped-def]
    """1/distance⁴ from the middle of a square of that radius; 0 in the middle."""
    weights = np.zeros((2 * radius + 1, 2 * radius + 1))
    for y in range(-radius, radius + 1):
        for x in range(-radius, radius + 1):
            distance_sq = float(y * y + x * x)
            if distance_sq > 0.0:
                weights[y + radius, x + radius] = 1.0 / (distance_sq * distance_sq)
    return weights


@nb.njit(inline="always")
def _near_sums(values, flags, r, c, near):  # type: ignore[no-untyped-def]
    """As ``_add_good`` over the whole square round (r, c), which lies inside the image: nearly all
    places do, and looking weights up takes half the time."""
    total, weights = 0.0, 0.0
    radius = near.shape[0] // 2
    for y in range(near.shape[0]):
        for x in range(near.shape[1]):
            if flags[r + y - radius, c + x - radius] == 0:
                w = near[y, x]
                total += w * values[r + y - radius, c + x - radius]
                weights += w
    return total, weights


@nb.njit(nogil=True, cache=True)
def _fill(values, flags, places, radius, max_radius):  # type: ignore[no-untyped-def]
    """``places`` in rising order. Returns how many found no good pixel within ``max_radius``."""
    rows, columns = values.shape
    left, before, nearest = 0, -2, radius
    near = _near_weights(radius)
    for place in places:
        r, c = place // columns, place % columns
        # One step aside the nearest good pixel is at most one nearer: no need to look closer.
        beside = c > 0 and place == before + 1
        reach = max(nearest - 1, radius) if beside else radius
        sums = (0.0, 0.0)
        inside = radius <= r < rows - radius and radius <= c < columns - radius
        if reach == radius and inside:
            sums = _near_sums(values, flags, r, c, near)
            if sums[1] > 0.0:
                before, nearest = place, reach
                values[r, c] = sums[0] / sums[1]
                continue
            reach += 1
        while reach <= max_radius:
            for y in range(max(r - reach, 0), min(r + reach + 1, rows)):
                # Beyond the first reach all that lies nearer is flagged: only the rim is new.
                whole = reach == radius or abs(y - r) == reach
                step = 1 if whole else 2 * reach
                first, last = c - reach, c + reach
                sums = _add_good(values, flags, r, c, y, first, last, step, sums)
            if sums[1] > 0.0:
                break
            reach += 1
        before, nearest = place, reach
        if sums[1] > 0.0:
            values[r, c] = sums[0] / sums[1]
        else:
            left += 1
    return left


@nb.njit(nogil=True, cache=True)
def _flagged(flags):  # type: ignore[no-untyped-def]
    """Flat places of the flagged pixels; looks at eight at once first, as few are flagged."""
    flat = flags.ravel()
    eights = flat[: flat.size // 8 * 8].view(np.uint64)
    places = np.empty(1024, dtype=np.int64)
    found = 0
    for eight in range(eights.size + 1):  # the last: what is left over
        if eight < eights.size and eights[eight] == 0:
            continue
        if found + 8 > places.size:
            grown = np.empty(2 * places.size, dtype=np.int64)
            grown[:found] = places[:found]
            places = grown
        for k in range(8 * eight, min(8 * eight + 8, flat.size)):
            if flat[k] != 0:
                places[found] = k
                found += 1
    return places[:found]


def fill_flagged(
    values: FloatImage, flags: FlagImage, *, radius_px: int, max_radius_px: int = 64
) -> int:
    """Put, in place, a mean of their good neighbours into the flagged pixels of ``values``.

    Neighbours within ``radius_px`` (rows and columns) weigh 1/distance⁴; where there are none the
    reach grows to ``max_radius_px``. Returns how many pixels found no neighbour at all and kept
    their value. Flags are not changed: a filled pixel still weighs nothing in the strip.
    """
    return int(_fill(values, flags, _flagged(flags), radius_px, max_radius_px))


@nb.njit(inline="always")
def _nearest(origin, r, c, step, most):  # type: ignore[no-untyped-def]
    """How far the nearest measured pixel is along ``step``; ``most`` + 1 when there is none."""
    for d in range(1, most + 1):
        y, x = r + step[0] * d, c + step[1] * d
        if y < 0 or y >= origin.shape[0] or x < 0 or x >= origin.shape[1]:
            break
        if origin[y, x] == MEASURED:
            return d
    return most + 1


@nb.njit(nogil=True, cache=True)
def _close(values, sigma, origin, places, width):  # type: ignore[no-untyped-def]
    rows, columns = values.shape
    done = 0
    for place in places:
        r, c = place // columns, place % columns
        across = _nearest(origin, r, c, (0, -1), width) + _nearest(origin, r, c, (0, 1), width)
        along = _nearest(origin, r, c, (-1, 0), width) + _nearest(origin, r, c, (1, 0), width)
        # The gap between two pixels d and e away is d + e - 1 pixels wide.
        if min(across, along) - 1 > width:
            continue
        total, weights, spread = 0.0, 0.0, 0.0
        for y in range(max(r - width, 0), min(r + width + 1, rows)):
            for x in range(max(c - width, 0), min(c + width + 1, columns)):
                if origin[y, x] == MEASURED:
                    distance_sq = float((y - r) * (y - r) + (x - c) * (x - c))
                    w = 1.0 / (distance_sq * distance_sq)
                    total += w * values[y, x]
                    spread += w * sigma[y, x]
                    weights += w
        values[r, c] = np.uint16(total / weights + 0.5)
        sigma[r, c] = np.uint16(spread / weights + 0.5)
        origin[r, c] = FILLED
        done += 1
    return done


@nb.njit(nogil=True, cache=True)
def _uncovered(origin):  # type: ignore[no-untyped-def]
    """Flat places that no frame covered, in order; first counted, as they are few or very many."""
    count = 0
    for r in range(origin.shape[0]):
        for c in range(origin.shape[1]):
            count += origin[r, c] == 0
    places = np.empty(count, dtype=np.int64)
    found = 0
    for r in range(origin.shape[0]):
        if found == count:
            break
        for c in range(origin.shape[1]):
            if origin[r, c] == 0:
                places[found] = r * origin.shape[1] + c
                found += 1
    return places


def close_holes(values: RawImage, sigma: RawImage, origin: FlagImage, *, radius_px: int) -> int:
    """Fill, in place, strip pixels that no frame measured but that lie between measured ones.

    A pixel is filled when along a row or a column measured pixels stand on both sides of a gap of
    at most ``2 * radius_px + 1`` pixels, so that the strip never grows beyond what was seen. It
    gets the mean of the measured pixels that near, weighed by 1/distance⁴, and as its noise the
    mean of theirs. Returns how many were filled; ``origin`` (values of ``Origin``) tells which.
    """
    places = _uncovered(origin)
    return int(_close(values, sigma, origin, places, 2 * radius_px + 1))
