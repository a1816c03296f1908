"""A frame as registration sees it: logarithm, background taken away, noise held down."""

from __future__ import annotations

import cv2

from pipeline.model import FloatImage


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
