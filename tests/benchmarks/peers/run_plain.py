"""Places tiles with a library's own phase correlation of neighbours and plain least squares:
``python run_plain.py TILES.npy PRIOR.npy OUT.json SEARCH scikit-image|opencv``."""

from __future__ import annotations

import json
import sys
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
from peak import peak_bytes

_REACH = 2  # neighbours
_PRIOR_SIGMA_PX = 1e3  # of the encoder's steps, where nothing else tells
_SHIFT = Callable[[np.ndarray, np.ndarray], tuple[float, float]]


def _scikit_image() -> _SHIFT:
    from skimage.registration import phase_cross_correlation  # noqa: PLC0415

    def shift(a: np.ndarray, b: np.ndarray) -> tuple[float, float]:
        # Without its default normalisation it is several times as exact on such pictures.
        found, _, _ = phase_cross_correlation(a, b, upsample_factor=100, normalization=None)
        return float(found[0]), float(found[1])

    return shift


def _opencv() -> _SHIFT:
    import cv2  # noqa: PLC0415

    def shift(a: np.ndarray, b: np.ndarray) -> tuple[float, float]:
        window = cv2.createHanningWindow(a.shape[::-1], cv2.CV_32F)
        # It multiplies its inputs in place.
        (columns, rows), _ = cv2.phaseCorrelate(b.copy(), a.copy(), window)
        return float(rows), float(columns)

    return shift


def _high_passed(tile: np.ndarray) -> np.ndarray:
    """The logarithm without its slow background: else shading outweighs the metal's texture."""
    log = np.log(np.maximum(tile, 1).astype(np.float32))
    rows, columns = (side // 16 * 16 for side in log.shape)
    means = log[:rows, :columns].reshape(rows // 16, 16, columns // 16, 16).mean(axis=(1, 3))
    at = [np.clip((np.arange(side) - 7.5) / 16, 0, len_ - 1) for side, len_ in
          zip(log.shape, means.shape, strict=True)]  # fmt: skip
    low = [np.floor(place).astype(int).clip(0, len_ - 2) for place, len_ in
           zip(at, means.shape, strict=True)]  # fmt: skip
    part = [place - first for place, first in zip(at, low, strict=True)]
    down = means[low[0]] * (1 - part[0])[:, None] + means[low[0] + 1] * part[0][:, None]
    smooth = down[:, low[1]] * (1 - part[1]) + down[:, low[1] + 1] * part[1]
    return np.asarray(log - smooth, dtype=np.float32)


def _overlap(a: np.ndarray, b: np.ndarray, step: tuple[int, int]) -> tuple[np.ndarray, np.ndarray]:
    """The parts of a and b that show the same if b lies ``step`` beyond a."""
    rows, columns = a.shape
    (down, along) = step
    return (
        a[max(0, down) : rows + min(0, down), max(0, along) : columns + min(0, along)],
        b[max(0, -down) : rows - max(0, down), max(0, -along) : columns - max(0, along)],
    )


def main() -> None:
    tiles, prior = np.load(sys.argv[1], mmap_mode="r"), np.load(sys.argv[2]).astype(int)
    search = float(sys.argv[4])
    begin = time.perf_counter()
    shift_of = {"scikit-image": _scikit_image, "opencv": _opencv}[sys.argv[5]]()
    count = len(tiles)
    held: dict[int, np.ndarray] = {}
    rows, right, weight = [], [], []
    for b in range(count):
        held = {k: picture for k, picture in held.items() if k >= b - _REACH}
        held[b] = _high_passed(tiles[b])
        for a in range(max(b - _REACH, 0), b):
            step = prior[b] - prior[a]
            if abs(step[1]) > 0.8 * tiles.shape[2]:
                continue
            # Twice: the first shift brings the overlap where it is.
            for _ in range(2):
                shift = np.array(
                    shift_of(*_overlap(held[a], held[b], (int(step[0]), int(step[1]))))
                )
                moved = np.rint(shift).astype(int)
                if np.abs(step + moved - (prior[b] - prior[a])).max() > search:
                    break
                step, shift = step + moved, shift - moved
            else:
                rows.append((a, b))
                right.append(step + shift)
                weight.append(1.0)
    for k in range(1, count):
        rows.append((k - 1, k))
        right.append(prior[k] - prior[k - 1])
        weight.append(1 / _PRIOR_SIGMA_PX)
    design = np.zeros((len(rows) + 1, count))
    for k, (a, b) in enumerate(rows):
        design[k, a], design[k, b] = -weight[k], weight[k]
    design[-1, 0] = 1
    told = np.concatenate([np.array(right) * np.array(weight)[:, None], prior[:1]])
    positions = np.linalg.lstsq(design, told, rcond=None)[0]
    result = {"positions": positions.tolist(), "seconds": time.perf_counter() - begin}
    result["peak_bytes"] = peak_bytes()
    Path(sys.argv[3]).write_text(json.dumps(result), encoding="utf-8")


main()
