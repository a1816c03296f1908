"""A frame as registration sees it: logarithm, background taken away, noise held down."""

from __future__ import annotations

import cv2
import numpy as np

from pipeline.model import FloatImage

SPIKE = 0.05  # of a pixel's surroundings: more than thin wires and noise add to a single pixel


def without_spikes(values: FloatImage) -> FloatImage:
    """``values`` with single pixels, and groups of up to 2 × 2, that stand out brought back to what
    surrounds them: hits of cosmic rays or the like, which lie on the panel and not on the metal.

    A pixel that is in no run of three like itself, along a row or a column (openings and closings
    by such runs), is cut where it is 5 % beyond them. Lines, edges, and the ends of narrow bars are
    such runs and stay as they are: an end that is cut moves with the pixels' phase, and a lead
    tick's tells more than all the metal about it.
    """
    along, across = np.ones((1, 3), dtype=np.uint8), np.ones((3, 1), dtype=np.uint8)
    # Arrays are used again: taking new ones from the system costs more than all else here.
    bound = cv2.morphologyEx(values, cv2.MORPH_OPEN, along)
    other = cv2.morphologyEx(values, cv2.MORPH_OPEN, across)
    cv2.max(bound, other, dst=bound)
    cv2.multiply(bound, 1 + SPIKE, dst=bound)
    cut: FloatImage = cv2.min(values, bound)
    cv2.morphologyEx(cut, cv2.MORPH_CLOSE, along, dst=bound)
    cv2.morphologyEx(cut, cv2.MORPH_CLOSE, across, dst=other)
    cv2.min(bound, other, dst=bound)
    cv2.multiply(bound, 1 - SPIKE, dst=bound)
    return np.asarray(cv2.max(cut, bound, dst=cut))


def texture_of(
    values: FloatImage, *, floor: float, background_px: int, blur_px: float
) -> tuple[FloatImage, FloatImage]:
    """The fine structure of ``values``, and ``values`` themselves, both as natural logarithms.

    Texture: log, minus its running mean over ``background_px`` (odd) taken twice, smoothed by a
    Gaussian of ``blur_px``; so a frame's level and slow shading drop out and only what lies on the
    metal remains. The mean reaches ``background_px`` − 1 pixels and no further, and treats all
    places alike: two frames that show the same metal, further than that from their ends, have the
    same texture. Values below ``floor`` count as ``floor``. Beside the texture the logarithm itself
    is returned; both float32, of the shape of ``values``.
    """
    logs = cv2.log(cv2.max(values, float(floor)))
    background = logs
    for _ in range(2):
        background = cv2.blur(
            background, (background_px, background_px), borderType=cv2.BORDER_REFLECT
        )
    fine = cv2.subtract(logs, background)
    return cv2.GaussianBlur(fine, (0, 0), blur_px, borderType=cv2.BORDER_REFLECT), logs
