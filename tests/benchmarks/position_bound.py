"""How well positions of frames can be known at all: Cramér and Rao's bound for a whole scan.

Every surface pixel is an unknown brightness that n frames measured with white noise σ. With the
brightness eliminated, the information that it holds about the frames' displacements is
g gᵀ/σ² ⊗ (1 − 11ᵀ/n), g its gradient (for n = 2 the well-known bound of a shift, 2σ²/Σg²; as in
Robinson and Milanfar 2004, *from memory*). What is unknown of the geometry displaces a frame's
pixels too, and is eliminated with the rest. Levels count as known.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from pipeline.geometry import Panel, ScanGeometry, pixel_to_surface, surface_to_pixel
from pipeline.stages.unknowns import LIFT, PITCH, ROLL, YAW, shaped, told

Array = NDArray[np.float64]
CELL_PX = 64  # over so many strip pixels each way, the geometry's displacements count as constant


def position_bound_px(
    picture: NDArray[np.float32],
    variance: NDArray[np.float32],
    first: Array,
    last: Array,
    moves: Array | None = None,
    sigmas: Array | None = None,
) -> Array:
    """(frames, 2): least standard deviation, px, of each frame's place along (s, z) round a ring.

    ``picture`` (rows, columns) is the noise-free strip, ``variance`` that of one frame's noise in a
    strip pixel, in the picture's units squared (infinite: not looked at); frame k shows all rows
    of columns ``first[k]`` to ``last[k]``, counted without wrapping. ``moves`` (row cells, column
    cells, frames, 2, unknowns) is how far, px, a unit of each unknown displaces what a frame shows,
    ``sigmas`` (unknowns,) how well each is known beforehand; what is known exactly (0) isn't one.
    """
    frames, columns = len(first), picture.shape[1]
    if moves is not None and sigmas is not None:
        moves, sigmas = moves[..., sigmas > 0], sigmas[sigmas > 0]
    cells = _gradients(picture, 1 / variance)
    unknowns = 0 if moves is None else moves.shape[-1]
    size = 2 * frames + unknowns
    information = np.zeros((size, size))
    middle = np.minimum(np.arange(cells.shape[1]) * CELL_PX + CELL_PX / 2, columns - 1)
    for j, column in enumerate(middle):
        near = column + columns * np.array([[-1], [0], [1]])
        seen = np.flatnonzero(((near >= first) & (near <= last)).any(axis=0))
        if len(seen) < 2:
            continue
        for i in range(cells.shape[0]):
            shift = np.zeros((len(seen), 2, size))
            for axis in range(2):
                shift[np.arange(len(seen)), axis, 2 * seen + axis] = 1
            if moves is not None:
                shift[:, :, 2 * frames :] = moves[i, j, seen]
            apart = shift - shift.mean(axis=0)
            weighted = cells[i, j] @ apart
            information += apart.reshape(-1, size).T @ weighted.reshape(-1, size)
    if sigmas is not None:
        information[2 * frames :, 2 * frames :] += np.diag(1 / sigmas**2)
    # A displacement of all frames together can't be told and isn't asked for. Scaled, so that
    # millimetres, degrees and pixels are told from nothing alike.
    scale = np.sqrt(np.maximum(np.diag(information), 1e-30))
    covariance = np.linalg.pinv(information / np.outer(scale, scale), rcond=1e-10, hermitian=True)
    covariance /= np.outer(scale, scale)
    places = covariance[: 2 * frames, : 2 * frames].reshape(frames, 2, frames, 2)
    places = places - places.mean(axis=0, keepdims=True)
    places = places - places.mean(axis=2, keepdims=True)
    return np.sqrt(np.einsum("kaka->ka", places))


def _gradients(picture: NDArray[np.float32], weight: NDArray[np.float32]) -> Array:
    """(row cells, column cells, 2, 2): weighted sums of products of the gradients along (s, z)."""
    down, across = np.gradient(picture.astype(np.float64))
    rows, columns = (-(-n // CELL_PX) for n in picture.shape)
    room = [(0, n * CELL_PX - m) for n, m in zip((rows, columns), picture.shape, strict=True)]
    shape = rows, CELL_PX, columns, CELL_PX

    def total(a: Array, b: Array) -> Array:
        return np.pad(a * b * weight, room).reshape(shape).sum(axis=(1, 3))

    cross = total(across, down)
    return np.stack([total(across, across), cross, cross, total(down, down)], axis=-1).reshape(
        rows, columns, 2, 2
    )


def geometry_moves(
    geometry: ScanGeometry,
    panel: Panel,
    unknown: Sequence[int],
    position_mm: Array,
    axial_mm: Array,
    shape: tuple[int, int],
    pitch_mm: float,
    z_first_mm: float,
) -> Array:
    """``moves`` for `position_bound_px`: numerical derivatives of what the frames show, for the
    ``unknown`` (numbers of the adjustment's shared unknowns)."""
    rows, columns = (-(-n // CELL_PX) for n in shape)
    s = (np.arange(columns) + 0.5)[:, None] * CELL_PX * pitch_mm
    z = z_first_mm + (np.arange(rows) + 0.5)[:, None, None] * CELL_PX * pitch_mm
    once = geometry.circumference_mm
    s = position_mm + (s - position_mm + once / 2) % once - once / 2
    # A frame is asked only for what it shows; elsewhere rays may miss the pipe.
    s = np.clip(s, position_mm - 0.4 * geometry.radius_mm, position_mm + 0.4 * geometry.radius_mm)
    column, row = surface_to_pixel(geometry, panel, position_mm, axial_mm, s, z)
    now = told(geometry, panel)
    now[LIFT][: len(geometry.lift_off_mm)] = geometry.lift_off_mm
    moves = []
    for number in unknown:
        step = 1e-5 if number in (ROLL, YAW, PITCH) else 1e-3  # rad, mm
        more = now.copy()
        more[number] += step
        moved = pixel_to_surface(*shaped(geometry, panel, more), position_mm, axial_mm, column, row)
        moves.append(np.stack([moved[0] - s, moved[1] - z], axis=-1) / step / pitch_mm)
    return np.stack(moves, axis=-1)
