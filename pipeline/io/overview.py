"""Smaller copies of a strip, for looking at it from afar."""

from __future__ import annotations

import numpy as np

from pipeline.model import RawImage

_BLOCK_ROWS = 64


def halve(image: RawImage) -> RawImage:
    """The image at half the size: each pixel is the mean of 2 × 2, rounded to the nearest.

    ``image`` is uint16 (rows, columns), not empty; the result is uint16 (⌈rows/2⌉, ⌈columns/2⌉).
    At an odd edge the mean is over the pixels that are there. Exactly half a gray value rounds up.
    """
    rows, columns = image.shape
    half = np.empty((-(-rows // 2), -(-columns // 2)), np.uint16)
    for top in range(0, rows, 2 * _BLOCK_ROWS):
        block = image[top : top + 2 * _BLOCK_ROWS]
        # An odd last row or column is its own partner, so that four times its value is summed.
        lower = block[1::2] if len(block) % 2 == 0 else np.concatenate((block[1::2], block[-1:]))
        pairs = block[0::2].astype(np.uint32)
        pairs += lower
        sums = pairs[:, 0::2] + 2
        whole = columns // 2
        sums[:, :whole] += pairs[:, 1::2]
        if columns % 2:
            sums[:, whole] += pairs[:, -1]
        sums >>= 2
        half[top // 2 : top // 2 + len(sums)] = sums
    return half
