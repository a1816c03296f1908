"""A block's sums turned into strip pixels."""

from __future__ import annotations

import numba as nb
import numpy as np

from pipeline.kernels.resample import COUNT, SUM_VALUE, SUM_VARIANCE, SUM_WEIGHT

_f32 = np.float32


@nb.njit(nogil=True, cache=True)
def _finish_column(sums, sigma_scale, mean, noise):  # type: ignore[no-untyped-def]
    """Weighted mean and its noise, rounded, down a column; how many means are too bright."""
    half, least, most = _f32(0.5), _f32(1), _f32(65535)
    weight, clipped = sums[SUM_WEIGHT], np.int32(0)
    total, variance = sums[SUM_VALUE], sums[SUM_VARIANCE]
    for i in range(mean.shape[0]):
        mean[i] = total[i] / max(weight[i], _f32(1e-30)) + half
    for i in range(mean.shape[0]):
        noise[i] = np.sqrt(variance[i]) / (max(weight[i], _f32(1e-30)) * sigma_scale) + half
    for i in range(mean.shape[0]):
        clipped += np.int32(mean[i] >= _f32(65536))
    for i in range(mean.shape[0]):
        mean[i] = min(max(mean[i], least), most) if weight[i] > _f32(0) else _f32(0)
    for i in range(mean.shape[0]):
        noise[i] = min(max(noise[i], least), most) if weight[i] > _f32(0) else _f32(0)
    return clipped


@nb.njit(nogil=True, cache=True)
def _turn_back(columns, out):  # type: ignore[no-untyped-def]
    for i in range(out.shape[0]):
        for j in range(out.shape[1]):
            out[i, j] = columns[j, i]


@nb.njit(nogil=True, cache=True)
def finish_tile(tile, sigma_scale, values, sigma, count):  # type: ignore[no-untyped-def]
    """Turn a tile's sums into strip pixels: weighted mean, its noise, number of frames.

    ``tile`` (columns, TILE_SUMS, rows); out, all (rows, ≤ columns): ``values`` uint16, at least 1
    where something was measured and 0 elsewhere; ``sigma`` uint16 in steps of ``sigma_scale``, at
    least 1; ``count`` uint8, at most 255. Returns how many values were too bright for 16 bits.
    """
    rows, columns = values.shape
    mean, noise = np.empty(rows, dtype=np.float32), np.empty(rows, dtype=np.float32)
    means, noises = np.empty((2, columns, rows), dtype=np.uint16)
    counts = np.empty((columns, rows), dtype=np.uint8)
    clipped = np.int32(0)
    for j in range(columns):
        sums = tile[j]
        clipped += _finish_column(sums, sigma_scale, mean, noise)
        line = means[j]
        for i in range(rows):
            line[i] = np.uint16(np.int32(mean[i]))
        line = noises[j]
        for i in range(rows):
            line[i] = np.uint16(np.int32(noise[i]))
        seen, frames = counts[j], sums[COUNT]
        for i in range(rows):
            seen[i] = np.uint8(np.int32(min(frames[i], _f32(255))))
    _turn_back(means, values)
    _turn_back(noises, sigma)
    _turn_back(counts, count)
    return clipped
