"""The compiled loop of the simulation: thickness under each ray, and what comes through it."""

from __future__ import annotations

import numpy as np
from numba import njit

from pipeline.model import FloatArray, FloatImage


@njit(nogil=True, cache=True)  # type: ignore[untyped-decorator,unused-ignore]
def sample_dose(
    thickness: FloatImage,
    fields: FloatArray,
    coarse: int,
    table: FloatImage,
    table_step_mm: float,
    scatter: float,
    dose: FloatImage,
) -> None:
    """Fill ``dose`` with flux · (transmission + scatter) for every ray.

    ``fields`` (5, node rows, node columns) holds, at every ``coarse``-th ray: map column, map row,
    path length over thickness, extra steel in mm, flux; between nodes they are interpolated
    linearly, so there must be a node past the last ray. Thickness is interpolated by cubic
    convolution (Catmull-Rom); map columns wrap round, rows past the map take its border.
    ``table`` is the transmission every ``table_step_mm`` of steel from 0; past its ends it stays.
    """
    m = thickness
    map_rows, map_columns = m.shape
    last = table.size - 2
    # Weights in float32 are quicker, and leave the thickness right to 1e-6 of itself.
    half, one, two = np.float32(0.5), np.float32(1), np.float32(2)
    three, four = np.float32(3), np.float32(4)
    line = np.empty((5, fields.shape[2]))
    step = np.empty((5, fields.shape[2]))
    for i in range(dose.shape[0]):
        a = i // coarse
        f = (i - a * coarse) / coarse
        for k in range(5):
            for n in range(fields.shape[2]):
                line[k, n] = fields[k, a, n]
                if f > 0:
                    line[k, n] += f * (fields[k, a + 1, n] - fields[k, a, n])
            for n in range(fields.shape[2] - 1):
                step[k, n] = (line[k, n + 1] - line[k, n]) / coarse
        for j in range(dose.shape[1]):
            c = j // coarse
            g = j - c * coarse
            x = line[0, c] + g * step[0, c]
            y = line[1, c] + g * step[1, c]
            x0 = int(np.floor(x))
            y0 = int(np.floor(y))
            p = np.float32(x - x0)
            q = np.float32(y - y0)
            wx0 = half * p * (p * (two - p) - one)
            wx3 = half * p * p * (p - one)
            wx2 = half * p * (one + p * (four - three * p))
            wx1 = one - wx0 - wx2 - wx3
            wy0 = half * q * (q * (two - q) - one)
            wy3 = half * q * q * (q - one)
            wy2 = half * q * (one + q * (four - three * q))
            wy1 = one - wy0 - wy2 - wy3
            while x0 < 0:
                x0 += map_columns
            while x0 >= map_columns:
                x0 -= map_columns
            c0 = np.uintp(x0 - 1 if x0 > 0 else map_columns - 1)
            c1 = np.uintp(x0)
            c2 = np.uintp(x0 + 1 if x0 < map_columns - 1 else 0)
            c3 = np.uintp(x0 + 2 if x0 < map_columns - 2 else x0 + 2 - map_columns)
            r0 = np.uintp(min(max(y0 - 1, 0), map_rows - 1))
            r1 = np.uintp(min(max(y0, 0), map_rows - 1))
            r2 = np.uintp(min(max(y0 + 1, 0), map_rows - 1))
            r3 = np.uintp(min(max(y0 + 2, 0), map_rows - 1))
            steel = (
                wy0 * (wx0 * m[r0, c0] + wx1 * m[r0, c1] + wx2 * m[r0, c2] + wx3 * m[r0, c3])
                + wy1 * (wx0 * m[r1, c0] + wx1 * m[r1, c1] + wx2 * m[r1, c2] + wx3 * m[r1, c3])
                + wy2 * (wx0 * m[r2, c0] + wx1 * m[r2, c1] + wx2 * m[r2, c2] + wx3 * m[r2, c3])
                + wy3 * (wx0 * m[r3, c0] + wx1 * m[r3, c1] + wx2 * m[r3, c2] + wx3 * m[r3, c3])
            )
            path = line[2, c] + g * step[2, c]
            extra = line[3, c] + g * step[3, c]
            flux = line[4, c] + g * step[4, c]
            place = (path * steel + extra) / table_step_mm
            t = min(max(int(place), 0), last)
            h = min(max(place - t, 0.0), 1.0)
            through = table[np.uintp(t)] + h * (table[np.uintp(t + 1)] - table[np.uintp(t)])
            dose[i, j] = flux * (through + scatter)
