"""How a whole batch changed, as histograms: one for each figure, welds counted."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from pipeline.outputs.batch.change import SNR, Change
from pipeline.outputs.drawing.plot import Plot
from pipeline.outputs.drawing.svg import BLUE, INK, QUIET, svg_drawing
from pipeline.outputs.drawing.words import number

_SIZE_IN = (7.4, 1.9)
_MOST_BINS = 40


@dataclass(frozen=True, slots=True)
class _Figure:
    """A figure of each weld's change; None where a weld doesn't have it."""

    title: str
    axis: str
    what_to_see: str
    value: Callable[[Change], float | None]


def _relative(name: str) -> Callable[[Change], float | None]:
    def of(one: Change) -> float | None:
        old, new = one.value(name)
        return None if not old or new is None else 100 * (new / old - 1)

    return of


def _difference(name: str, times: float = 1.0) -> Callable[[Change], float | None]:
    def of(one: Change) -> float | None:
        old, new = one.value(name)
        return None if old is None or new is None else times * (new - old)

    return of


_FIGURES = (
    _Figure(
        "SNR_N beside the weld", "change / %", "Left of 0 is more noise than before.",
        _relative(SNR[0]),
    ),
    _Figure(
        "Predicted SNR", "change / %",
        "Left of 0 is more predicted noise than before.", _relative(SNR[1]),
    ),
    _Figure(
        "Basic spatial resolution SR_b", "change / µm", "Right of 0 is less sharp than before.",
        _difference("sharpness.sr_b_mm", 1000),
    ),
    _Figure(
        "Closure of the ring", "change / µm", "Right of 0 closes worse than before.",
        _difference("registration.closure_mm", 1000),
    ),
    _Figure(
        "Pixels filled in", "change / ppm of the strip", "Right of 0 is more invented than before.",
        _difference("pixels.filled_fraction", 1e6),
    ),
    _Figure(
        "Largest move of a frame", "move / µm",
        "A calibration hardly moves frames; what lies far to the right does more than that.",
        lambda one: None if one.positions is None else 1000 * one.positions.largest_mm,
    ),
    _Figure(
        "Difference of the strips", "RMS / σ of a pixel",
        "In units of the predicted noise: well below 1 is hardly to be seen.",
        lambda one: None if one.pixels is None else one.pixels.rms,
    ),
)  # fmt: skip


def histograms(changes: Sequence[Change]) -> Sequence[Plot]:
    """A histogram for each figure that at least two of the welds have and that isn't the same in
    all."""
    plots = []
    for k, figure in enumerate(_FIGURES):
        values = np.array([v for one in changes if (v := figure.value(one)) is not None])
        if values.size < 2 or np.ptp(values) == 0:
            continue
        low, middle, high = np.percentile(values, (0, 50, 100))
        plots.append(
            Plot(
                figure.title,
                figure.what_to_see,
                f"{values.size} welds: {number(float(low))} to {number(float(high))}, median "
                f"{number(float(middle))} ({figure.axis.partition('/')[2].strip()})",
                svg_drawing(f"histogram{k}", _SIZE_IN, _drawing(values, figure.axis)),
            )
        )
    return plots


def _drawing(values: np.ndarray, axis: str) -> Callable[[Any], None]:
    def draw(figure: Any) -> None:
        axes = figure.add_axes((0.07, 0.26, 0.92, 0.70))
        bins = min(_MOST_BINS, max(8, int(2 * np.sqrt(values.size))))
        axes.hist(values, bins=bins, color=BLUE, rwidth=0.92)
        if values.min() < 0 < values.max():
            axes.axvline(0, color=QUIET, lw=0.9)
        axes.set_xlabel(axis, color=INK)
        axes.set_ylabel("welds", color=INK)
        axes.yaxis.get_major_locator().set_params(integer=True)

    return draw
