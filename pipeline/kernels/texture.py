"""A frame as registration sees it: logarithm, background taken away, noise held down."""

from __future__ import annotations

import cv2

from pipeline.model import FloatImage

BACKGROUND_STEP = 4  # pixels of the texture a pixel of the background


def texture_of(
    values: FloatImage, *, floor: float, background_px: float, blur_px: float
) -> tuple[FloatImage, FloatImage]:
    """The fine structure of ``values`` and its smooth background, both natural logarithms.

    Texture: log, minus a Gaussian background of standard deviation ``background_px``, smoothed by a
    Gaussian of ``blur_px``; so a frame's level and slow shading drop out and only what lies on the
    metal remains. Values below ``floor`` count as ``floor``. The background comes on a grid
    BACKGROUND_STEP times coarser (pixel k covers the texture's pixels 4k … 4k+3).

    Both float32; the texture has the shape of ``values``.
    """
    logs = cv2.log(cv2.max(values, float(floor)))
    rows, columns = values.shape
    small = (max(columns // BACKGROUND_STEP, 1), max(rows // BACKGROUND_STEP, 1))
    # Whole cells only, so that the coarse grid has exactly the stated step.
    whole = logs[: small[1] * BACKGROUND_STEP, : small[0] * BACKGROUND_STEP]
    coarse = cv2.resize(whole, small, interpolation=cv2.INTER_AREA)
    smooth = cv2.GaussianBlur(
        coarse, (0, 0), background_px / BACKGROUND_STEP, borderType=cv2.BORDER_REFLECT
    )
    whole_background = cv2.resize(
        smooth, (whole.shape[1], whole.shape[0]), interpolation=cv2.INTER_LINEAR
    )
    if whole_background.shape != logs.shape:
        whole_background = cv2.copyMakeBorder(
            whole_background,
            0,
            rows - whole.shape[0],
            0,
            columns - whole.shape[1],
            cv2.BORDER_REPLICATE,
        )
    cv2.subtract(logs, whole_background, dst=logs)
    fine = cv2.GaussianBlur(logs, (0, 0), blur_px, borderType=cv2.BORDER_REFLECT)
    return fine, coarse
