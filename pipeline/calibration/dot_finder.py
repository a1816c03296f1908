"""Round dots or holes in a picture, each centre to a few hundredths of a pixel."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.model import FloatArray, FloatImage

_BIN_PX = 0.25  # of the mean profile
_ROUNDS = 4
_OUTLIER = 5.0  # standard deviations from which a pixel no longer counts
_FEWEST = 9


@dataclass(frozen=True, slots=True)
class Dots:
    """Centres of the dots, (n,) float64 in pixels, and their uncertainty (standard deviation)."""

    columns: FloatArray
    rows: FloatArray
    sigma_px: FloatArray
    radius_px: float
    spacing_px: float  # median distance to the nearest neighbour
    dark: bool  # dots that absorb; False are holes that let through


def find_dots(image: FloatImage, spacing_px: float) -> Dots | None:
    """Every whole dot of about the usual size; None where fewer than nine are seen.

    ``image`` (rows, columns) is linear in dose, bad pixels filled. ``spacing_px`` tells about how
    far apart dots are, within a factor of two; smaller than 6 px they can't be told apart. Dots at
    the picture's border, and blots of another size or shape, are left out.

    Centres come from least squares: every dot is the mean radial profile of all dots times a
    depth, on a sloping ground. The profile is taken from the dots themselves, so discs, holes and
    balls do alike, whatever blurs them; only what makes all dots lopsided alike goes unseen.
    """
    relief, dark = _relief(image, spacing_px)
    seeds = _blots(relief, spacing_px)
    if seeds is None:
        return None
    columns, rows, radius = seeds
    seen_px = _usual_spacing(columns, rows)
    half = int(min(1.6 * radius + 4, 0.5 * seen_px - 1))
    if half < radius + 2:  # no ground is left between them
        return None
    inside = (np.rint(columns) >= half) & (np.rint(columns) < image.shape[1] - half)
    inside &= (np.rint(rows) >= half) & (np.rint(rows) < image.shape[0] - half)
    if np.count_nonzero(inside) < _FEWEST:
        return None
    found = _refine(image, columns[inside], rows[inside], radius, half)
    return Dots(*found, radius_px=radius, spacing_px=seen_px, dark=dark)


def _usual_spacing(columns: FloatArray, rows: FloatArray) -> float:
    from scipy.spatial import cKDTree  # noqa: PLC0415

    points = np.column_stack([columns, rows])
    nearest, _ = cKDTree(points).query(points, k=2)
    return float(np.median(nearest[:, 1]))


def _relief(image: FloatImage, spacing_px: float) -> tuple[FloatImage, bool]:
    """How far each pixel stands out from its surroundings, dots upwards, and if dots are dark."""
    import cv2  # noqa: PLC0415

    floor = max(float(np.median(image)) * 1e-3, 1e-6)
    log = np.log(np.maximum(image, np.float32(floor)))
    # The wide blur of a coarser picture is the same ground, many times as fast.
    step = max(1, int(spacing_px / 4))
    size = -(-image.shape[1] // step), -(-image.shape[0] // step)
    coarse = cv2.resize(log, size, interpolation=cv2.INTER_AREA)
    coarse = cv2.GaussianBlur(
        coarse, (0, 0), 1.5 * spacing_px / step, borderType=cv2.BORDER_REFLECT
    )
    ground = cv2.resize(coarse, image.shape[::-1], interpolation=cv2.INTER_LINEAR)
    relief = np.asarray(cv2.GaussianBlur(log - ground, (0, 0), 1.0))
    dark = float(np.mean(relief.astype(np.float64) ** 3)) < 0  # dots cover the smaller part
    return (-relief if dark else relief), dark


def _blots(relief: FloatImage, spacing_px: float) -> tuple[FloatArray, FloatArray, float] | None:
    """Centroids (columns, rows) and radius of what stands out as most of the dots do."""
    import cv2  # noqa: PLC0415

    reach = 2 * int(spacing_px / 4) + 1
    highest = cv2.dilate(relief, np.ones((reach, reach), np.uint8))
    noise = 1.4826 * float(np.median(np.abs(relief - np.median(relief))))
    peaks = relief[(relief == highest) & (relief > 6 * noise)]
    if peaks.size < _FEWEST:
        return None
    mask = (relief > np.median(peaks) / 2).astype(np.uint8)
    count, _, stats, centroids = cv2.connectedComponentsWithStats(mask, connectivity=4)
    if count <= _FEWEST:
        return None
    left, top, width, height, area = stats[1:].T
    bottom, right = relief.shape[0], relief.shape[1]
    whole = (left > 0) & (top > 0) & (left + width < right) & (top + height < bottom)
    whole &= area >= 4
    if np.count_nonzero(whole) < _FEWEST:
        return None
    usual = float(np.median(area[whole & (area >= 0.25 * np.median(area[whole]))]))
    whole &= (area > 0.4 * usual) & (area < 2.0 * usual)
    whole &= np.maximum(width, height) <= 1.5 * np.minimum(width, height) + 1
    if np.count_nonzero(whole) < _FEWEST:
        return None
    columns, rows = centroids[1:][whole].T
    return columns, rows, float(np.sqrt(usual / np.pi))


def _refine(
    image: FloatImage, columns: FloatArray, rows: FloatArray, radius: float, half: int
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Centres and their standard deviation by Gauss and Newton's method, all dots at once."""
    grid = np.arange(-half, half + 1)
    first_column, first_row = np.rint(columns).astype(int), np.rint(rows).astype(int)
    windows = image[
        first_row[:, None, None] + grid[None, :, None],
        first_column[:, None, None] + grid[None, None, :],
    ].astype(np.float64)
    values = windows.reshape(len(windows), -1)
    across = np.tile(grid, grid.size).astype(np.float64)  # columns of a window, flattened
    down = np.repeat(grid, grid.size).astype(np.float64)
    x, y = columns - first_column, rows - first_row
    weights = np.ones_like(values)
    model = _first_model(values, np.hypot(across - x[:, None], down - y[:, None]), radius)
    sigma = np.full(len(values), np.inf)
    for turn in range(_ROUNDS):
        design = _design(values, weights, model, across, down, x, y)
        weighted = design * weights[:, :, None]
        normal = weighted.transpose(0, 2, 1) @ design
        right = (weighted * values[:, :, None]).sum(axis=1)
        solved = np.linalg.solve(normal, right[:, :, None])[:, :, 0]
        model = solved[:, :4]
        x, y = x + np.clip(solved[:, 4], -1, 1), y + np.clip(solved[:, 5], -1, 1)
        error = values - (design @ solved[:, :, None])[:, :, 0]
        spread = 1.4826 * np.median(np.abs(error), axis=1)
        inverse = np.linalg.inv(normal)
        sigma = spread * np.sqrt(np.maximum(inverse[:, 4, 4], inverse[:, 5, 5]))
        if turn > 0:
            weights = (np.abs(error) <= _OUTLIER * spread[:, None]).astype(np.float64)
    return first_column + x, first_row + y, sigma


def _first_model(values: FloatArray, distance: FloatArray, radius: float) -> FloatArray:
    """(ground, its slope across and down, depth) of each dot, (n, 4), the slopes zero."""
    ground = np.nanmedian(np.where(distance > radius + 1.5, values, np.nan), axis=1)
    inside = distance < max(1.0, radius / 2)
    depth = (values * inside).sum(axis=1) / inside.sum(axis=1) - ground
    return np.stack([ground, 0 * ground, 0 * ground, depth], axis=1)


def _design(
    values: FloatArray,
    weights: FloatArray,
    model: FloatArray,
    across: FloatArray,
    down: FloatArray,
    x: FloatArray,
    y: FloatArray,
) -> FloatArray:
    """What each pixel of each dot makes of ground, two slopes, depth and the two shifts.

    (n, pixels, 6); the mean profile is taken anew from all dots as they are modelled now.
    """
    dx, dy = across - x[:, None], down - y[:, None]
    distance = np.hypot(dx, dy)
    flat = model[:, :1] + model[:, 1:2] * across + model[:, 2:3] * down
    at, profile = _mean_profile(distance, (values - flat) / model[:, 3:4], weights)
    shape = np.interp(distance, at, profile)
    slope = np.interp(distance, at, np.gradient(profile, at))
    toward = -model[:, 3:4] * slope / np.maximum(distance, 1e-9)
    level = np.ones_like(shape)
    terms = [level, level * across, level * down, shape, toward * dx, toward * dy]
    return np.stack(terms, axis=2)


def _mean_profile(
    distance: FloatArray, relative: FloatArray, weights: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """The mean of all dots against the distance from their centres: (distances, values).

    Values beyond a distance that few pixels have are those at the last one that is common.
    """
    bins = (distance / _BIN_PX).astype(np.int64).ravel()
    w = weights.ravel()
    count = np.bincount(bins, w)
    enough = np.flatnonzero(count >= 4)
    at = np.bincount(bins, w * distance.ravel())[enough] / count[enough]
    mean = np.bincount(bins, w * relative.ravel())[enough] / count[enough]
    return at, mean
