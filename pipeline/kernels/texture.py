"""A frame as registration sees it: logarithm, background taken away, noise held down."""

from __future__ import annotations

import cv2

from pipeline.model import FloatImage

_STEP = 4  # pixels of the picture a pixel of its background, which is far smoother
_SPIKE = 0.05  # of a pixel's surroundings: more than thin wires and noise add to a single pixel


def without_spikes(values: FloatImage) -> FloatImage:
    """``values`` with single pixels, and groups of up to four, that stand out brought back to what
    surrounds them: hits of cosmic rays or the like, which lie on the panel and not on the metal.

    A pixel keeps its value within 5 % of the median of the nine about it, and is cut there. Lines
    and edges are at least three pixels long, so that hardly any of them is touched.
    """
    # Arrays are used again: taking new ones from the system costs more than all else here.
    usual = cv2.medianBlur(values, 3)
    bound = cv2.multiply(usual, 1 + _SPIKE)
    cv2.min(values, bound, dst=bound)
    cv2.multiply(usual, 1 - _SPIKE, dst=usual)
    cut: FloatImage = cv2.max(bound, usual, dst=bound)
    return cut


def texture_of(
    values: FloatImage, *, floor: float, background_px: float, blur_px: float
) -> tuple[FloatImage, FloatImage]:
    """The fine structure of ``values``, and ``values`` themselves, both as natural logarithms.

    Texture: log, minus a Gaussian background of standard deviation ``background_px``, smoothed by a
    Gaussian of ``blur_px``; so a frame's level and slow shading drop out and only what lies on the
    metal remains. Values below ``floor`` count as ``floor``. Beside the texture the logarithm
    itself is returned; both float32, of the shape of ``values``.
    """
    logs = cv2.log(cv2.max(values, float(floor)))
    rows, columns = values.shape
    small = (max(columns // _STEP, 1), max(rows // _STEP, 1))
    # Whole cells only, so that the coarse grid has exactly the stated step.
    whole = logs[: small[1] * _STEP, : small[0] * _STEP]
    coarse = cv2.resize(whole, small, interpolation=cv2.INTER_AREA)
    smooth = cv2.GaussianBlur(coarse, (0, 0), background_px / _STEP, borderType=cv2.BORDER_REFLECT)
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
    fine = cv2.subtract(logs, whole_background)
    return cv2.GaussianBlur(fine, (0, 0), blur_px, borderType=cv2.BORDER_REFLECT), logs
