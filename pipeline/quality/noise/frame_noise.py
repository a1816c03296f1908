"""The noise of single frames beside the weld, where nothing was resampled or averaged."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.kernels.resample import BEND, C0, R0, SLOPE, STEP
from pipeline.model import Frame, StripGrid
from pipeline.quality.noise.snr import REFERENCE_MM, measure_snrs, snr_n
from pipeline.quality.noise.window_stacks import same_shape, shape_of
from pipeline.quality.noise.windows import Window
from pipeline.stages.distortion import FrameMap


@dataclass(frozen=True, slots=True)
class FrameNoise:
    """A strip's window as one frame saw it: its place and what a panel pixel shows there."""

    window: Window
    mean_gv: float
    snr: float
    snr_sigma: float
    snr_n: float | None
    groups: int


def measure_frame_noise(
    frame: Frame,
    frame_map: FrameMap,
    windows: tuple[Window, ...],
    grid: StripGrid,
    *,
    sr_b_mm: float | None,
    group: int,
    aperture_mm: float = REFERENCE_MM,
) -> tuple[FrameNoise, ...]:
    """SNR and SNR_N of a corrected frame in the strip's windows that lie on it.

    The same numbers of rows and columns are taken round the window's middle, on the panel, where
    nothing was resampled; groups with a bad pixel don't count. Windows that aren't whole on the
    frame are left out, as are those where less than half the groups are good.
    """
    found = []
    for some, top, left in _on_panel(windows, frame_map, grid, frame.values.shape):
        rows, columns = shape_of(some[0])
        cut = top[:, None] + np.arange(rows), left[:, None] + np.arange(columns)
        pixels = cut[0][:, :, None], cut[1][:, None, :]
        values = frame.values[pixels]
        means = values.mean(axis=(1, 2), dtype=np.float64).tolist()
        told = measure_snrs(values, group=group, good=frame.flags[pixels] == 0)
        whole = rows * (columns // group)
        for window, snr, mean in zip(some, told, means, strict=True):
            if snr is None or 2 * snr.groups < whole:
                continue
            normalised = None if sr_b_mm is None else snr_n(snr.value, sr_b_mm, aperture_mm)
            found.append(FrameNoise(window, mean, snr.value, snr.sigma, normalised, snr.groups))
    return tuple(sorted(found, key=lambda one: one.window.order))


def _on_panel(
    windows: Sequence[Window], frame_map: FrameMap, grid: StripGrid, shape: tuple[int, ...]
) -> list[tuple[list[Window], NDArray[np.int64], NDArray[np.int64]]]:
    """Of each shape the windows all of which is on the frame, with their first rows and columns."""
    along = np.arange(frame_map.columns)
    found = []
    for some, _ in same_shape(windows):
        rows, columns = shape_of(some[0])
        middle = np.array([sum(window.columns) - 1 for window in some]) / 2 - frame_map.first
        if grid.ring:
            middle %= grid.columns
        c0, r0, step, slope, bend = (
            np.interp(middle, along, frame_map.table[k]) for k in (C0, R0, STEP, SLOPE, BEND)
        )
        at = np.array([sum(window.rows) - 1 for window in some]) / 2
        row = r0 + step * at / (1 + bend * at)
        column = c0 + slope * row
        top = np.rint(row - (rows - 1) / 2).astype(np.int64)
        left = np.rint(column - (columns - 1) / 2).astype(np.int64)
        inside = (middle >= 0) & (middle <= frame_map.columns - 1)
        inside &= (np.minimum(top, left) >= 0) & (top + rows <= shape[0])
        inside &= left + columns <= shape[1]
        if inside.any():
            mine = [window for window, good in zip(some, inside, strict=True) if good]
            found.append((mine, top[inside], left[inside]))
    return found
