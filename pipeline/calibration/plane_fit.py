"""How one plane is seen on another: a central projection, and a smooth bend beyond it."""

from __future__ import annotations

import numpy as np

from pipeline.model import FloatArray

_ROUNDS = 10
_SETTLED_PX = 1e-6
_SETTLED_BEND_PX = 1e-4


def fit_homography(plane: FloatArray, seen: FloatArray) -> FloatArray:
    """The 3×3 matrix H, H[2, 2] = 1, that takes ``plane`` to ``seen``, both (n, 2), n ≥ 4.

    The sum of squared distances in ``seen`` is the smallest there is. First the linear solution
    (Hartley's normalised one), then Gauss and Newton's steps until they are below a millionth of
    a pixel.
    """
    to_unit, to_seen = _normaliser(plane), _normaliser(seen)
    unit, target = _apply(to_unit, plane), _apply(to_seen, seen)
    source = np.hstack([unit, np.ones((len(unit), 1))])
    zero = np.zeros_like(source)
    upper = np.hstack([source, zero, -target[:, :1] * source])
    lower = np.hstack([zero, source, -target[:, 1:] * source])
    nothing = np.zeros((1, 9))  # four points give eight rows only, and the ninth vector is wanted
    _, _, vectors = np.linalg.svd(np.vstack([upper, lower, nothing]), full_matrices=False)
    matrix = vectors[-1].reshape(3, 3)
    matrix = matrix / matrix[2, 2]
    for _ in range(_ROUNDS):
        depth = source @ matrix[2]
        place = (source @ matrix[:2].T) / depth[:, None]
        rate = source / depth[:, None]
        upper = np.hstack([rate, zero, -place[:, :1] * rate[:, :2]])
        lower = np.hstack([zero, rate, -place[:, 1:] * rate[:, :2]])
        design = np.vstack([upper, lower])
        step = np.linalg.lstsq(design, (target - place).T.ravel(), rcond=None)[0]
        matrix = matrix + np.append(step, 0.0).reshape(3, 3)
        if float(np.abs(design @ step).max()) < _SETTLED_PX * to_seen[0, 0]:
            break
    whole = np.linalg.inv(to_seen) @ matrix @ to_unit
    return np.asarray(whole / whole[2, 2])


def apply_homography(matrix: FloatArray, points: FloatArray) -> FloatArray:
    """Where ``matrix`` takes the points (n, 2)."""
    return _apply(matrix, points)


def fit_bent_homography(plane: FloatArray, seen: FloatArray, unit: FloatArray) -> FloatArray:
    """The homography of a picture that is also bent, as ``fit_homography``.

    ``unit`` are the places in ``seen``, brought to about −1 … 1. A bend that is odd about the
    middle (a barrel's or a cushion's) is fitted beside the projection, free of any linear part,
    so that it doesn't pass for a tilt where the points don't lie evenly; n ≥ 16.
    """
    x, y = unit.T
    even = np.stack([np.ones_like(x), x, y], axis=1)
    odd = np.stack([x**3, x**2 * y, x * y**2, y**3], axis=1)
    odd -= even @ np.linalg.lstsq(even, odd, rcond=None)[0]
    bend = np.zeros_like(seen)
    homography = fit_homography(plane, seen)
    for _ in range(_ROUNDS):
        error = seen - apply_homography(homography, plane)
        before, bend = bend, odd @ np.linalg.lstsq(odd, error, rcond=None)[0]
        homography = fit_homography(plane, seen - bend)
        if float(np.abs(bend - before).max()) < _SETTLED_BEND_PX:
            break
    return homography


def bend_terms(unit: FloatArray) -> FloatArray:
    """The ten terms up to the third degree of the points (n, 2), as (n, 10)."""
    x, y = unit.T
    return np.stack([x**i * y**j for i in range(4) for j in range(4 - i)], axis=1)


def fit_bend(unit: FloatArray, error: FloatArray) -> FloatArray:
    """The coefficients (10, 2) of the cubic surface nearest to ``error`` (n, 2).

    ``unit`` are places (n, 2) of about −1 … 1; n ≥ 10.
    """
    return np.asarray(np.linalg.lstsq(bend_terms(unit), error, rcond=None)[0])


def _normaliser(points: FloatArray) -> FloatArray:
    """The similarity that brings the points to mean 0 and a usual distance of √2."""
    centre = points.mean(axis=0)
    scale = np.sqrt(2) / np.sqrt(((points - centre) ** 2).sum(axis=1).mean())
    return np.array([[scale, 0, -scale * centre[0]], [0, scale, -scale * centre[1]], [0, 0, 1.0]])


def _apply(matrix: FloatArray, points: FloatArray) -> FloatArray:
    seen = points @ matrix[:, :2].T + matrix[:, 2]
    return np.asarray(seen[:, :2] / seen[:, 2:])
