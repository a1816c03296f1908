"""Where a single-wire gauge lies in a picture: its place, lean, order and spacing, all at once."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.model import FloatArray
from pipeline.quality.gauges.wire_profile import Bands, WireFilter, lean, respond, scatter

_MOST_LEAN_DEG = 5.0
_LEAN_STEP_MM = 0.1  # at the wires' ends
_SPACING_RANGE = 0.03  # by which the wires' distance may differ from what is told
_SPACING_STEPS = 9
_ALIKE = 0.15  # by which a wire's depth may differ from what its diameter lets expect
_MOST = 50.0  # what one wire counts at most: otherwise a lead letter would outweigh all wires


@dataclass(frozen=True, slots=True)
class WirePlace:
    """The wires' columns in the bands' middle row, the thickest first, and how they lean.

    ``significance`` is how far the gauge as a whole stands out, in standard deviations.
    """

    at_px: FloatArray
    slope: float
    significance: float


def find_wires(
    bands: Bands,
    filters: Sequence[WireFilter],
    *,
    middle_px: float,
    spacing_px: float,
    search_px: float,
    pitch_mm: float,
) -> WirePlace:
    """The likeliest place within ``search_px`` of column ``middle_px``.

    At every place each wire's depth is compared with what one thickness scale for all of them
    lets expect, by capped squares, so that neither a foreign shadow nor a missing wire decides.
    """
    most = math.tan(math.radians(_MOST_LEAN_DEG))
    half_mm = (float(np.ptp(bands.at_px)) + bands.rows) / 2 * pitch_mm
    steps = max(1, math.ceil(half_mm * most / _LEAN_STEP_MM))
    slopes = np.arange(-steps, steps + 1) * most / steps
    profiles = lean(bands, slopes, float(bands.at_px.mean()), _weights(bands))
    number = np.arange(len(filters)) - (len(filters) - 1) / 2
    scales = 1 + np.linspace(-_SPACING_RANGE, _SPACING_RANGE, _SPACING_STEPS)
    spacings = np.concatenate([scales, -scales]) * spacing_px
    shifts = np.arange(-math.floor(search_px), math.floor(search_px) + 1)
    # (spacings, shifts, wires)
    at = middle_px + shifts[None, :, None] + spacings[:, None, None] * number
    expected = np.array([one.peak_mm for one in filters])
    gain = _gain(respond(profiles, filters), expected, np.asarray(at))
    slope, *best = np.unravel_index(int(np.argmax(gain)), gain.shape)
    most_gain = max(0.0, float(gain[slope, *best]))
    return WirePlace(at[*best], float(slopes[slope]), math.sqrt(most_gain))


def _weights(bands: Bands) -> FloatArray:
    steps = np.diff(bands.depth, axis=1)
    noise = np.median(np.abs(steps - np.median(steps, axis=1, keepdims=True)), axis=1)
    return np.asarray(1 / np.maximum(noise, 1e-9) ** 2)


def _gain(responses: FloatArray, expected: FloatArray, at: FloatArray) -> FloatArray:
    """By how much the wires explain what is seen, (slopes, spacings, shifts).

    ``responses`` (slopes, wires, columns), ``expected`` thickness (wires,), ``at`` the wires'
    columns (spacings, shifts, wires).
    """
    sigma = scatter(responses)[:, None, None, :]
    columns = responses.shape[2]
    inside = np.clip(at, 0, columns - 1)
    before = np.minimum(inside.astype(np.int64), columns - 2)
    part = inside - before
    depth = np.empty((len(responses), *at.shape))
    for wire in range(at.shape[2]):
        one, first, beyond = responses[:, wire], before[..., wire], part[..., wire]
        depth[..., wire] = one[:, first] * (1 - beyond) + one[:, first + 1] * beyond
    weights = np.broadcast_to((expected / sigma) ** 2, depth.shape)
    per_mm = weighted_median(depth / expected, weights)
    model = np.maximum(per_mm, 0)[..., None] * expected
    alone = np.minimum((depth / sigma) ** 2, _MOST)
    beside = np.minimum((depth - model) ** 2 / (sigma**2 + (_ALIKE * model) ** 2), _MOST)
    return np.asarray((alone - beside).sum(axis=-1))


def weighted_median(values: FloatArray, weights: FloatArray) -> FloatArray:
    """Over the last axis: where half of the weight lies on each side."""
    order = np.argsort(values, axis=-1)
    weights = np.broadcast_to(weights, values.shape)
    total = np.cumsum(np.take_along_axis(weights, order, axis=-1), axis=-1)
    first = np.argmax(total >= total[..., -1:] / 2, axis=-1)[..., None]
    chosen = np.take_along_axis(order, first, axis=-1)
    return np.take_along_axis(values, chosen, axis=-1)[..., 0]
