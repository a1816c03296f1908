"""Dark and gain correction of one frame, as a compiled loop."""

from __future__ import annotations

import numba
import numpy as np

from pipeline.model import FloatImage, RawImage


@numba.njit(nogil=True, cache=True)  # type: ignore[untyped-decorator]
def flat_field(raw: RawImage, dark: FloatImage, inverse_gain: FloatImage, out: FloatImage) -> None:
    """Write ``(raw - dark) * inverse_gain`` into ``out``: gray values linear in dose.

    All (rows, columns); ``raw`` uint16, the others float32. ``inverse_gain`` is 1 over the
    relative response; where it is 0 (a pixel without response) the result is 0. Nothing is
    clipped: a raw value below the dark gives a negative result, as noise around zero must.
    """
    for row in range(raw.shape[0]):
        for column in range(raw.shape[1]):
            out[row, column] = (np.float32(raw[row, column]) - dark[row, column]) * inverse_gain[
                row, column
            ]


@numba.njit(nogil=True, cache=True)  # type: ignore[untyped-decorator]
def flat_field_curved(
    raw: RawImage,
    dark: FloatImage,
    inverse_gain: FloatImage,
    curvature: FloatImage,
    reference: np.float32,
    out: FloatImage,
) -> None:
    """The same, and every pixel's bend straightened: ``v * (1 + curvature * (v - reference))``.

    ``v`` is what ``flat_field`` gives, ``curvature`` in 1/GV; where it is 0 the result is ``v``.
    """
    for row in range(raw.shape[0]):
        for column in range(raw.shape[1]):
            value = (np.float32(raw[row, column]) - dark[row, column]) * inverse_gain[row, column]
            out[row, column] = value + value * (curvature[row, column] * (value - reference))
