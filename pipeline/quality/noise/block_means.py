"""A reduced picture: the mean of every block of pixels, where more detail tells nothing."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from pipeline.model import FloatImage, RawImage

_ROWS = 64  # worked on at once, so that what is made in between stays in the processor's cache


def block_means(
    values: RawImage, known: NDArray[np.bool_], size: int
) -> tuple[FloatImage, NDArray[np.bool_]]:
    """Means over blocks of ``size`` by ``size`` pixels, and which blocks are known as a whole.

    ``values`` and ``known`` (rows, columns); the results (rows // size, columns // size): rows and
    columns left over at the end are dropped. The mean of a block with unknown pixels is over all.
    """
    import cv2  # noqa: PLC0415

    rows, columns = (length // size for length in values.shape)
    if min(rows, columns) == 0:
        return np.zeros((rows, columns), np.float32), np.zeros((rows, columns), np.bool_)
    means = np.empty((rows, columns), np.float32)
    whole = np.ones((rows, columns), np.bool_)
    step = max(1, _ROWS // size)
    for first in range(0, rows, step):
        blocks = slice(first, min(first + step, rows))
        part = slice(blocks.start * size, blocks.stop * size), slice(0, columns * size)
        shape = columns, blocks.stop - blocks.start
        fine = values[part].astype(np.float32)
        means[blocks] = cv2.resize(fine, shape, interpolation=cv2.INTER_AREA)
        if not known[part].all():
            share = cv2.resize(known[part].astype(np.float32), shape, interpolation=cv2.INTER_AREA)
            whole[blocks] = share > 1 - 0.5 / size**2
    return means, whole
