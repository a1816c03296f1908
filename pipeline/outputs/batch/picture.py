"""Where two strips differ, as a picture: blue where the new one is darker, vermilion brighter."""

from __future__ import annotations

import base64

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.outputs.batch.pixels import Cells

_PAPER = (247, 246, 242)
_DARKER, _BRIGHTER, _NOTHING = (0, 114, 178), (213, 94, 0), (200, 196, 188)  # as in the plots
_LEAST_REACH = 0.5
_PERCENT = 99.5
_LEAST_TALL = 48


def reach_of(cells: Cells) -> float:
    """The difference in σ that gets the full colour: what half a percent of the cells exceed."""
    known = np.abs(cells.means[np.isfinite(cells.means)])
    return max(float(np.percentile(known, _PERCENT)) if known.size else 0.0, _LEAST_REACH)


def difference_png(cells: Cells, reach: float) -> bytes:
    """The cells as PNG; grey where there was nothing to compare."""
    part = np.clip(cells.means / reach, -1, 1)
    known = np.isfinite(part)
    strength = np.where(known, np.abs(part), 0)[..., None]
    end = np.where((part > 0)[..., None], _colour(_BRIGHTER), _colour(_DARKER))
    rgb = _colour(_PAPER) * (1 - strength) + end * strength
    rgb[~known] = _NOTHING
    bgr = np.rint(rgb[..., ::-1]).astype(np.uint8)
    times = max(1, -(-_LEAST_TALL // bgr.shape[0]))
    bgr = bgr.repeat(times, axis=0).repeat(times, axis=1)
    written, png = cv2.imencode(".png", bgr, [cv2.IMWRITE_PNG_COMPRESSION, 9])
    assert written
    return png.tobytes()


def data_uri(png: bytes) -> str:
    """A PNG as it stands in a page."""
    return f"data:image/png;base64,{base64.b64encode(png).decode('ascii')}"


def _colour(rgb: tuple[int, int, int]) -> NDArray[np.float64]:
    return np.array(rgb, np.float64)
