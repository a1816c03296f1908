"""Plots of a quality log along the strip, as SVG text that stands inside a page.

Each plot shares the distance axis and comes with a title, a sentence that says what to see in it,
and one that says what was found.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from pipeline.model import FloatArray
from pipeline.outputs.coverage import CoverageProfile
from pipeline.outputs.places import frame_place, shown_gaps, strip_ends_mm
from pipeline.outputs.svg import BLUE, INK, QUIET, RULE, VERMILION, calm, svg_drawing
from pipeline.outputs.words import limit as bound
from pipeline.outputs.words import number
from pipeline.quality.log import FrameRecord, QualityLog, TapeFacts

_WIDTH_IN, _HEIGHT_IN = 9.0, 2.15
_BLUE_RGB = tuple(int(BLUE[k : k + 2], 16) / 255 for k in (1, 3, 5))
_LIMIT_LINE: dict[str, Any] = {"color": INK, "lw": 0.9, "ls": (0, (5, 3))}
_LIMIT_REACH = 3.0  # a limit farther out than so many times the largest value isn't drawn


@dataclass(frozen=True, slots=True)
class Plot:
    """One plot, ready to stand in a page."""

    title: str
    what_to_see: str
    found: str
    svg: str


def draw_plots(log: QualityLog, coverage: CoverageProfile) -> tuple[Plot, ...]:
    """All plots of a log, in reading order; plots without any data to show are left out."""
    used = [frame for frame in log.frames if frame.used]
    plots = [_coverage(log, coverage)]
    if used:
        plots += [_position(log, used), _axial(log, used), _level(log, used)]
    if any(seam.level_step is not None for seam in log.seams):
        plots.append(_level_step(log))
    if any(seam.doubling is not None for seam in log.seams):
        plots.append(_doubling(log))
    if log.tape is not None:
        plots.append(_tape(log, log.tape))
    return tuple(plots)


def _coverage(log: QualityLog, coverage: CoverageProfile) -> Plot:
    most = max(1.0, float(coverage.least.max()))
    limit = log.limit_of("coverage.frames")

    def draw(axes: Any) -> None:
        axes.stairs(
            coverage.least, coverage.edges_mm, fill=True, fc=(*_BLUE_RGB, 0.22), ec=BLUE, lw=1
        )
        if limit is not None:
            axes.axhline(limit, **_LIMIT_LINE)
        axes.set_ylim(0, 1.2 * max(most, limit or 0))
        axes.yaxis.get_major_locator().set_params(integer=True)

    return Plot(
        "Coverage",
        "How many frames measured each place at least, over the middle half of the rows, which "
        "holds the weld. More frames mean less noise; where there is none, nothing is known.",
        f"Least {number(float(coverage.least.min()), 0)}, on average "
        f"{number(float(coverage.mean.mean()), 1)} frames; "
        f"{number(100 * coverage.filled_fraction)} % of all pixels filled in from neighbours. "
        + _not_covered(coverage),
        _svg("coverage", log, "frames", draw),
    )


def _not_covered(coverage: CoverageProfile) -> str:
    """How much of the strip no frame covered, and where."""
    gaps = coverage.not_covered_fraction - coverage.edge_fraction
    parts = [f"{number(100 * gaps)} % in gaps"] if gaps > 0 else []
    if coverage.edge_fraction > 0:
        parts.append(
            f"{number(100 * coverage.edge_fraction)} % in notches at the upper and lower edge"
        )
    return f"Not covered: {', '.join(parts)}." if parts else "Every pixel is covered."


def _position(log: QualityLog, used: Sequence[FrameRecord]) -> Plot:
    at = _places(log, used)
    difference = _column(used, lambda f: f.position_mm) - _column(used, lambda f: f.encoder_mm)
    sigma = _column(used, lambda frame: frame.sigma_mm)
    least, most = int(np.argmin(difference)), int(np.argmax(difference))

    def draw(axes: Any) -> None:
        axes.errorbar(at, difference, yerr=sigma, fmt="o", ms=3, color=BLUE, elinewidth=1)
        axes.margins(y=0.15)

    return Plot(
        "Position minus encoder",
        "A steady slope is the encoder's scale; a jump is a slip of the carriage; a constant part "
        "is what the encoder reads at the datum. Bars are ± one σ of the solved position; where "
        "none show, they are smaller than the marks.",
        f"From {number(difference[least], 2, sign=True)} mm at {number(at[least], 0)} mm to "
        f"{number(difference[most], 2, sign=True)} mm at {number(at[most], 0)} mm; median σ "
        f"{number(float(np.median(sigma)))} mm. In positions.csv: position_mm − encoder_mm.",
        _svg("position", log, "position − encoder / mm", draw),
    )


def _axial(log: QualityLog, used: Sequence[FrameRecord]) -> Plot:
    at, axial = _places(log, used), _column(used, lambda frame: frame.axial_mm)
    return Plot(
        "Axial wander",
        "How far the carriage ran off its track along the pipe. A smooth wave is a band that sits "
        "askew; a jump is a slip.",
        f"From {number(float(axial.min()), 2, sign=True)} to "
        f"{number(float(axial.max()), 2, sign=True)} mm.",
        _svg("axial", log, "axial shift / mm", _marks(at, axial, "o", BLUE, zero=True)),
    )


def _level(log: QualityLog, used: Sequence[FrameRecord]) -> Plot:
    at, level = _places(log, used), _column(used, lambda frame: frame.level)
    spread = 100 * float(level.max() - level.min())
    return Plot(
        "Level of each frame",
        "Relative exposure, taken out before blending. One slow wave round the pipe is a source "
        "off the axis; single steps are the tube.",
        f"Spread {number(spread)} % between the weakest and the strongest frame.",
        _svg("level", log, "relative exposure", _marks(at, level, "o", BLUE)),
    )


def _level_step(log: QualityLog) -> Plot:
    seams = [seam for seam in log.seams if seam.level_step is not None]
    at = np.array([seam.s_mm for seam in seams])
    step = 100 * _column(seams, lambda seam: seam.level_step)
    far = int(np.argmax(np.abs(step)))
    told = log.limit_of("seam.level_step")
    limit = _Limit.of(None if told is None else 100 * told, step, both_sides=True)
    return Plot(
        "Gray step at the seams",
        "What is left of the difference between two frames where one takes over from the other. "
        "Steps beyond the limit can be seen as edges.",
        f"Largest {number(step[far], sign=True)} % at {number(at[far], 0)} mm."
        + limit.sentence(" %"),
        _svg("step", log, "step / %", _marks(at, step, "D", VERMILION, zero=True, limit=limit)),
    )


def _doubling(log: QualityLog) -> Plot:
    seams = [seam for seam in log.seams if seam.doubling is not None]
    at = np.array([seam.s_mm for seam in seams])
    doubling = _column(seams, lambda seam: seam.doubling)
    far = int(np.argmax(doubling))
    limit = _Limit.of(log.limit_of("seam.doubling"), doubling)
    return Plot(
        "Disagreement in the overlaps",
        "How much two frames differ where both saw the weld, in units of their noise. About 1 is "
        "noise alone; more means doubled edges, movement or a wrong stand-off.",
        f"Largest {number(doubling[far], 2)} at {number(at[far], 0)} mm." + limit.sentence(""),
        _svg(
            "doubling",
            log,
            "disagreement / σ",
            _marks(at, doubling, "D", VERMILION, limit=limit),
        ),
    )


def _tape(log: QualityLog, tape: TapeFacts) -> Plot:
    at = _column(tape.ticks, lambda tick: tick.s_mm)
    off = _column(tape.ticks, lambda tick: tick.deviation_mm)
    far = int(np.argmax(np.abs(off)))
    limit = _Limit.of(log.limit_of("position.tape_mm"), off, both_sides=True)
    closing = ""
    if tape.closing_mm is not None:
        closing = f" From the last tick to the first: {number(tape.closing_mm, 1)} mm."
    return Plot(
        "Location tape",
        "How far each tick of the tape lies behind where it should, by the strip’s own distances; "
        "nothing was corrected by it. A constant part is the datum, a steady slope the diameter or "
        "a stretched tape, a jump the tape’s joint or a wrong place in the strip.",
        f"{len(off)} of {tape.expected} ticks; largest {number(off[far], 2, sign=True)} mm at "
        f"{number(at[far], 0)} mm, root mean square {number(tape.rms_mm, 3)} mm."
        + closing
        + limit.sentence(" mm"),
        _svg("tape", log, "deviation / mm", _marks(at, off, "o", BLUE, zero=True, limit=limit)),
    )


@dataclass(frozen=True, slots=True)
class _Limit:
    """Where limits lie on a plot's axis, and whether they are drawn.

    Limits far beyond all values are told, not drawn: they would press the values into one line.
    """

    at: tuple[float, ...]
    drawn: bool

    @classmethod
    def of(cls, limit: float | None, values: FloatArray, *, both_sides: bool = False) -> _Limit:
        if limit is None:
            return cls((), False)
        drawn = limit <= _LIMIT_REACH * float(np.abs(values).max())
        return cls((limit, -limit) if both_sides else (limit,), drawn)

    def sentence(self, unit: str) -> str:
        if not self.at:
            return ""
        sign = "±" if len(self.at) > 1 else ""
        where = "is dashed" if self.drawn else "lies outside the plot"
        return f" The limit, {sign}{bound(self.at[0])}{unit}, {where}."


def _marks(
    at: FloatArray,
    values: FloatArray,
    marker: str,
    color: str,
    *,
    zero: bool = False,
    limit: _Limit | None = None,
) -> Callable[[Any], None]:
    def draw(axes: Any) -> None:
        if zero:
            axes.axhline(0, color=QUIET, lw=0.8)
        order = np.argsort(at, kind="stable")
        axes.plot(at[order], values[order], color=color, lw=0.6, alpha=0.5)
        axes.plot(at, values, marker, ms=3.2, color=color)
        if limit is not None and limit.drawn:
            for side in limit.at:
                axes.axhline(side, **_LIMIT_LINE)
        axes.margins(y=0.15)

    return draw


def _svg(name: str, log: QualityLog, y_label: str, draw: Callable[[Any], None]) -> str:
    """One axes along the strip; see ``svg_drawing``."""

    def whole(figure: Any) -> None:
        axes = figure.add_axes((0.07, 0.21, 0.92, 0.67))
        calm(axes)
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


def _places(log: QualityLog, used: Sequence[FrameRecord]) -> FloatArray:
    slack_mm = _margin_mm(log)
    return np.array([frame_place(log, frame.position_mm or 0.0, slack_mm) for frame in used])


def _column(records: Sequence[Any], value: Callable[[Any], float | None]) -> FloatArray:
    return np.array([value(record) for record in records], dtype=np.float64)
