"""What all plots along the strip have in common: the distance axis, marks, limits."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from pipeline.model import FloatArray
from pipeline.outputs.drawing.svg import INK, QUIET, RULE, svg_drawing
from pipeline.outputs.drawing.words import limit as bound
from pipeline.outputs.report.views.places import frame_place, shown_gaps, strip_ends_mm
from pipeline.quality.log import FrameRecord, QualityLog

_WIDTH_IN, _HEIGHT_IN = 9.0, 2.15
_LIMIT_REACH = 3.0  # a limit farther out than so many times the largest value isn't drawn
LIMIT_LINE: dict[str, Any] = {"color": INK, "lw": 0.9, "ls": (0, (5, 3))}
"""How a limit is drawn."""


@dataclass(frozen=True, slots=True)
class Limit:
    """Where limits lie on a plot's axis, and whether they are drawn.

    Limits far beyond all values are told, not drawn: they would press the values into one line.
    """

    at: tuple[float, ...]
    drawn: bool

    @classmethod
    def of(cls, limit: float | None, values: FloatArray, *, both_sides: bool = False) -> Limit:
        """The limit (None: there is none) of a plot of ``values``; ``both_sides``: of size."""
        if limit is None:
            return cls((), False)
        drawn = limit <= _LIMIT_REACH * float(np.abs(values).max())
        return cls((limit, -limit) if both_sides else (limit,), drawn)

    def sentence(self, unit: str) -> str:
        """What a plot says of the limit, after a space; empty without one."""
        if not self.at:
            return ""
        sign = "±" if len(self.at) > 1 else ""
        where = "is dashed" if self.drawn else "lies outside the plot"
        return f" The limit, {sign}{bound(self.at[0])}{unit}, {where}."


def marks(
    at: FloatArray,
    values: FloatArray,
    marker: str,
    color: str,
    *,
    zero: bool = False,
    limit: Limit | None = None,
) -> Callable[[Any], None]:
    """What draws ``values`` at their places: a mark each, joined by a thin line."""

    def draw(axes: Any) -> None:
        if zero:
            axes.axhline(0, color=QUIET, lw=0.8)
        order = np.argsort(at, kind="stable")
        axes.plot(at[order], values[order], color=color, lw=0.6, alpha=0.5)
        axes.plot(at, values, marker, ms=3.2, color=color)
        if limit is not None and limit.drawn:
            for side in limit.at:
                axes.axhline(side, **LIMIT_LINE)
        axes.margins(y=0.15)

    return draw


def along_strip(name: str, log: QualityLog, y_label: str, draw: Callable[[Any], None]) -> str:
    """One axes along the strip; see ``svg_drawing``."""

    def whole(figure: Any) -> None:
        axes = figure.add_axes((0.07, 0.21, 0.92, 0.67))
        draw(axes)
        start_mm, end_mm = strip_ends_mm(log)
        margin_mm = _margin_mm(log)
        axes.set_xlim(start_mm - margin_mm, end_mm + margin_mm)
        for gap in shown_gaps(log):
            axes.axvspan(gap.from_mm, gap.to_mm, fill=False, ec=QUIET, hatch="////", lw=0)
        axes.set_xlabel("distance from the datum / mm", color=INK, labelpad=5)
        # Above the axis: read without turning the head, and free of long tick labels.
        axes.text(0, 1.06, y_label, color=INK, transform=axes.transAxes)
        axes.ticklabel_format(useOffset=False)
        axes.grid(axis="x", color=RULE, lw=0.6)

    return svg_drawing(name, (_WIDTH_IN, _HEIGHT_IN), whole)


def _margin_mm(log: QualityLog) -> float:
    """How far a plot reaches beyond the strip on both sides."""
    start_mm, end_mm = strip_ends_mm(log)
    return 0.01 * (end_mm - start_mm)


def places(log: QualityLog, used: Sequence[FrameRecord]) -> FloatArray:
    """Where frames of the strip stand on the axis, mm from the datum."""
    slack_mm = _margin_mm(log)
    return np.array([frame_place(log, frame.position_mm or 0.0, slack_mm) for frame in used])


def column(records: Sequence[Any], value: Callable[[Any], float | None]) -> FloatArray:
    """One value of each record."""
    return np.array([value(record) for record in records], dtype=np.float64)
