"""Contrast sensitivity from the picture of a step wedge."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from pipeline.errors import CalibrationError
from pipeline.kernels.line_noise import group_deviations, group_spread
from pipeline.model import FloatArray, FloatImage

_COARSE_PX = 8
_SHADOW = 0.08  # natural logarithm below the bare beam from which a pixel is behind the wedge
_GROUP = 20
_FEWEST_GROUPS = 20


@dataclass(frozen=True, slots=True)
class WedgeStep:
    """One step: its steel, mean gray value, noise of a pixel, and contrast sensitivity there.

    ``contrast_sensitivity`` is the change of thickness, in parts of the thickness, whose contrast
    equals the noise of one pixel of the picture.
    """

    thickness_mm: float
    mean_gv: float
    noise_gv: float
    contrast_sensitivity: float

    @property
    def snr(self) -> float:
        """Mean over noise of one pixel."""
        return self.mean_gv / self.noise_gv


@dataclass(frozen=True, slots=True)
class StepWedge:
    """All steps, the thinnest first."""

    steps: tuple[WedgeStep, ...]

    @property
    def contrast_sensitivity(self) -> float:
        """The best of all steps: what the panel can achieve under the shot's conditions."""
        return min(step.contrast_sensitivity for step in self.steps)


def measure_step_wedge(image: FloatImage, *, thickness_mm: Sequence[float]) -> StepWedge:
    """What the wedge's steps show, in the manner of the usual step-wedge tests.

    ``image`` (rows, columns) is linear in dose, corrected for dark and gain, bad pixels filled; a
    mean of several frames has their smaller noise. The wedge has one step for each of
    ``thickness_mm`` (mm, all different), in a row along the picture's rows or columns, and is the
    largest shadow in it. On each step the middle part counts. With the mean S, the noise σ, and
    the attenuation µ = −d ln S/dt from the neighbouring steps, the contrast sensitivity is
    σ/(S·µ·t).

    Raises:
        CalibrationError: as many steps as were told aren't seen.
    """
    told = sorted(thickness_mm)
    block = _middle_of_wedge(image, len(told))
    if block is None:
        raise _not_seen(len(told), "no shadow of a wedge is seen")
    parts = _steps(block, len(told))
    if parts is None:
        raise _not_seen(len(told), f"no {len(told)} steps, one brighter than the next, are seen")
    if parts[0].mean() < parts[-1].mean():
        parts = parts[::-1]
    means = np.array([float(part.mean(dtype=np.float64)) for part in parts])
    noise = np.array([_noise(part) for part in parts])
    slope = -_slopes(np.array(told), np.log(means))
    return StepWedge(
        tuple(
            WedgeStep(t, float(mean), float(sigma), float(sigma / (mean * mu * t)))
            for t, mean, sigma, mu in zip(told, means, noise, slope, strict=True)
        )
    )


def _middle_of_wedge(image: FloatImage, count: int) -> FloatImage | None:
    """The wedge's part of the picture, steps side by side, middle half of their length."""
    import cv2  # noqa: PLC0415

    shape = image.shape[1] // _COARSE_PX, image.shape[0] // _COARSE_PX
    coarse = np.maximum(cv2.resize(image, shape, interpolation=cv2.INTER_AREA), 1e-6)
    shadow = np.log(np.quantile(coarse, 0.98)) - np.log(coarse)
    found, _, stats, _ = cv2.connectedComponentsWithStats((shadow > _SHADOW).astype(np.uint8))
    if found < 2:
        return None
    largest = 1 + int(np.argmax(stats[1:, cv2.CC_STAT_AREA]))
    left, top, width, height, _ = (int(value) * _COARSE_PX for value in stats[largest])
    if min(width, height) < 2 * _COARSE_PX or max(width, height) < 2 * _COARSE_PX * count:
        return None
    wedge = image[top : top + height, left : left + width]
    across = np.log(np.maximum(np.median(_middle_half(wedge), axis=0), 1e-6))
    down = np.log(np.maximum(np.median(_middle_half(wedge.T), axis=0), 1e-6))
    return _middle_half(wedge if np.ptp(across) >= np.ptp(down) else wedge.T)


def _middle_half(wedge: FloatImage) -> FloatImage:
    rows = wedge.shape[0]
    return wedge[rows // 4 : rows - rows // 4]


def _steps(block: FloatImage, count: int) -> list[FloatImage] | None:
    """The inner 60 % of each step, in the order in which they lie."""
    from scipy.ndimage import gaussian_filter1d  # noqa: PLC0415
    from scipy.signal import find_peaks  # noqa: PLC0415

    profile = np.log(np.maximum(np.median(block, axis=0), 1e-6)).astype(np.float64)
    length = profile.size
    change = np.abs(gaussian_filter1d(profile, length / (20 * count), order=1, mode="nearest"))
    apart = max(1, round(length / (3 * count)))
    change[: apart // 2] = change[length - apart // 2 :] = 0.0  # the wedge's own ends
    edges, _ = find_peaks(change, distance=apart)
    if edges.size < count - 1:
        return None
    edges = np.sort(edges[np.argsort(-change[edges], kind="stable")][: count - 1])
    bounds = [0, *edges.tolist(), length]
    parts = []
    for first, last in pairwise(bounds):
        cut = round(0.2 * (last - first))
        parts.append(block[:, first + cut : last - cut])
    means = [float(part.mean()) for part in parts]
    steps = np.sign(np.diff(means))
    small = any(part.size < _FEWEST_GROUPS * _GROUP or part.shape[1] < _GROUP for part in parts)
    return None if small or abs(steps.sum()) != count - 1 else parts


def _noise(part: FloatImage) -> float:
    """Standard deviation of a pixel: the median over groups of 20 in a row, made unbiased."""
    columns = part.shape[1] // _GROUP * _GROUP
    groups = part[:, :columns].reshape(-1, _GROUP).astype(np.float64)
    return group_spread(_GROUP).unbiased * float(np.median(group_deviations(groups, 1)))


def _slopes(x: FloatArray, y: FloatArray) -> FloatArray:
    """dy/dx at every x: through both neighbours, at the ends through the one there is."""
    return np.asarray(np.gradient(y, x, edge_order=1))


def _not_seen(count: int, what: str) -> CalibrationError:
    return CalibrationError(
        what,
        where="step wedge",
        expected=f"{count} steps in a row along the picture's rows or columns, each well over 20 "
        "pixels long",
        remedy="Check thickness_mm and the shot, or leave this set out",
    )
