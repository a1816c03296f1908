"""Plots of a quality log along the strip, as SVG text that stands inside a page.

Each plot shares the distance axis and comes with a title, a sentence that says what to see in it,
and one that says what was found.
"""

from __future__ import annotations

import io
import re
import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from pipeline.model import FloatArray
from pipeline.outputs.coverage import CoverageProfile
from pipeline.outputs.places import first_place, shown_gaps, strip_ends_mm
from pipeline.outputs.words import number
from pipeline.quality.log import FrameRecord, QualityLog

_INK, _QUIET = "#23282d", "#8a8f94"
_BLUE, _VERMILION = "#0072b2", "#d55e00"  # told apart by colour-blind readers too
_WIDTH_IN, _HEIGHT_IN = 9.0, 2.15

# matplotlib's settings belong to the whole process: one drawing at a time sees ours.
_SETTINGS_LOCK = threading.Lock()
_SETTINGS = {
    "svg.fonttype": "none",
    "svg.hashsalt": "girthstrip",
    "font.size": 9,
    "axes.unicode_minus": True,
    "path.simplify": True,
}


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
    return tuple(plots)


def _coverage(log: QualityLog, coverage: CoverageProfile) -> Plot:
    def draw(axes: Any) -> None:
        axes.stairs(coverage.mean, coverage.edges_mm, baseline=None, color=_BLUE, label="mean")
        axes.stairs(
            coverage.least,
            coverage.edges_mm,
            baseline=None,
            color=_VERMILION,
            ls="--",
            label="least",
        )
        axes.set_ylim(0, max(1.0, float(coverage.mean.max())) * 1.25)
        axes.legend(**_LEGEND)

    return Plot(
        "Coverage",
        "How many frames measured each place, over the middle half of the rows, which holds the "
        "weld. The lines should never touch zero; more frames mean less noise.",
        f"Mean {number(float(coverage.mean.mean()), 1)} frames, least "
        f"{number(float(coverage.least.min()), 0)}; "
        f"{number(100 * coverage.filled_fraction)} % of all pixels filled in, "
        f"{number(100 * coverage.not_covered_fraction)} % not covered.",
        _svg("coverage", log, "frames", draw),
    )


def _position(log: QualityLog, used: Sequence[FrameRecord]) -> Plot:
    at = _places(log, used)
    raw = _column(used, lambda frame: frame.position_mm) - _column(used, lambda f: f.encoder_mm)
    sigma = _column(used, lambda frame: frame.sigma_mm)
    offset = float(np.median(raw))
    difference = raw - offset
    far = int(np.argmax(np.abs(difference)))

    def draw(axes: Any) -> None:
        axes.axhline(0, color=_QUIET, lw=0.8)
        axes.errorbar(at, difference, yerr=sigma, fmt="o", ms=3, color=_BLUE, elinewidth=1)
        axes.margins(y=0.15)

    return Plot(
        "Position minus encoder",
        "A steady slope is the encoder's scale; a jump is a slip of the carriage. Bars are ± one σ "
        "of the solved position; where none show, they are smaller than the marks.",
        f"Largest {number(difference[far], 2, sign=True)} mm at {number(at[far], 0)} mm; median σ "
        f"{number(float(np.median(sigma)))} mm. The median of all frames, "
        f"{number(offset, 2, sign=True)} mm, is taken off.",
        _svg("position", log, "difference / mm", draw),
    )


def _axial(log: QualityLog, used: Sequence[FrameRecord]) -> Plot:
    at, axial = _places(log, used), _column(used, lambda frame: frame.axial_mm)
    return Plot(
        "Axial wander",
        "How far the carriage ran off its track along the pipe. A smooth wave is a band that sits "
        "askew; a jump is a slip.",
        f"From {number(float(axial.min()), 2, sign=True)} to "
        f"{number(float(axial.max()), 2, sign=True)} mm.",
        _svg("axial", log, "axial shift / mm", _marks(at, axial, "o", _BLUE, zero=True)),
    )


def _level(log: QualityLog, used: Sequence[FrameRecord]) -> Plot:
    at, level = _places(log, used), _column(used, lambda frame: frame.level)
    spread = 100 * float(level.max() - level.min())
    return Plot(
        "Level of each frame",
        "Relative exposure, taken out before blending. One slow wave round the pipe is a source "
        "off the axis; single steps are the tube.",
        f"Spread {number(spread)} % between the weakest and the strongest frame.",
        _svg("level", log, "relative exposure", _marks(at, level, "o", _BLUE)),
    )


def _level_step(log: QualityLog) -> Plot:
    seams = [seam for seam in log.seams if seam.level_step is not None]
    at = np.array([seam.s_mm for seam in seams])
    step = 100 * _column(seams, lambda seam: seam.level_step)
    far = int(np.argmax(np.abs(step)))
    limit = log.limit_of("seam.level_step")
    return Plot(
        "Gray step at the seams",
        "What is left of the difference between two frames where one takes over from the other. "
        "Steps beyond the dashed limit can be seen as edges.",
        f"Largest {number(step[far], sign=True)} % at {number(at[far], 0)} mm.",
        _svg(
            "step",
            log,
            "step / %",
            _marks(
                at,
                step,
                "D",
                _VERMILION,
                zero=True,
                limit=None if limit is None else 100 * limit,
                both=True,
            ),
        ),
    )


def _doubling(log: QualityLog) -> Plot:
    seams = [seam for seam in log.seams if seam.doubling is not None]
    at = np.array([seam.s_mm for seam in seams])
    doubling = _column(seams, lambda seam: seam.doubling)
    far = int(np.argmax(doubling))
    return Plot(
        "Disagreement in the overlaps",
        "How much two frames differ where both saw the weld, in units of their noise. About 1 is "
        "noise alone; more means doubled edges, movement or a wrong stand-off.",
        f"Largest {number(doubling[far], 2)} at {number(at[far], 0)} mm.",
        _svg(
            "doubling",
            log,
            "disagreement / σ",
            _marks(at, doubling, "D", _VERMILION, limit=log.limit_of("seam.doubling")),
        ),
    )


_LEGEND: dict[str, Any] = {
    "loc": "upper right",
    "bbox_to_anchor": (0.96, 1.0),  # the page's typeface may be wider than the one laid out here
    "ncols": 2,
    "frameon": False,
    "borderaxespad": 0.1,
    "fontsize": 8.5,
}


def _marks(
    at: FloatArray,
    values: FloatArray,
    marker: str,
    color: str,
    *,
    zero: bool = False,
    limit: float | None = None,
    both: bool = False,
) -> Callable[[Any], None]:
    def draw(axes: Any) -> None:
        if zero:
            axes.axhline(0, color=_QUIET, lw=0.8)
        order = np.argsort(at, kind="stable")
        axes.plot(at[order], values[order], color=color, lw=0.6, alpha=0.5)
        axes.plot(at, values, marker, ms=3.2, color=color)
        if limit is not None:
            for side in (limit, -limit) if both else (limit,):
                axes.axhline(side, color=_INK, lw=0.9, ls=(0, (5, 3)))
        axes.margins(y=0.15)

    return draw


def _svg(name: str, log: QualityLog, y_label: str, draw: Callable[[Any], None]) -> str:
    """One axes along the strip as an ``<svg>`` element without namespaces, metadata or a clock.

    Ids are made the plot's own by ``name``, as several plots stand in one page.
    """
    import matplotlib  # noqa: PLC0415  heavy: only a report needs it
    from matplotlib.backends.backend_svg import FigureCanvasSVG  # noqa: PLC0415
    from matplotlib.figure import Figure  # noqa: PLC0415

    text = io.StringIO()
    with _SETTINGS_LOCK, matplotlib.rc_context(_SETTINGS):
        figure = Figure(figsize=(_WIDTH_IN, _HEIGHT_IN))
        FigureCanvasSVG(figure)
        figure.patch.set_visible(False)
        axes = figure.add_axes((0.085, 0.23, 0.905, 0.73))
        axes.patch.set_visible(False)
        draw(axes)
        start_mm, end_mm = strip_ends_mm(log)
        margin_mm = 0.006 * (end_mm - start_mm)
        axes.set_xlim(start_mm - margin_mm, end_mm + margin_mm)
        for gap in shown_gaps(log):
            axes.axvspan(gap.from_mm, gap.to_mm, fill=False, ec=_QUIET, hatch="////", lw=0)
        axes.set_xlabel("distance from the datum / mm", color=_INK)
        axes.set_ylabel(y_label, color=_INK)
        axes.ticklabel_format(useOffset=False)
        axes.yaxis.set_label_coords(-0.062, 0.5)
        axes.tick_params(colors=_INK, length=3, width=0.7)
        axes.grid(axis="x", color="#dcd8cf", lw=0.6)
        axes.set_axisbelow(True)
        axes.spines[["top", "right"]].set_visible(False)
        axes.spines[["left", "bottom"]].set(color=_QUIET, linewidth=0.7)
        figure.savefig(text, format="svg", metadata={"Date": None, "Creator": None})
    svg = text.getvalue()
    svg = svg[svg.index("<svg") :]
    svg = re.sub(r"<metadata>.*?</metadata>", "", svg, flags=re.DOTALL)
    svg = re.sub(r"<style.*?</style>", "", svg, flags=re.DOTALL)  # it would rule the whole page
    svg = svg.replace("xlink:href", "href")
    svg = re.sub(r'\sxmlns(:\w+)?="[^"]*"', "", svg)
    svg = re.sub(r'(\bid="|url\(#|href="#)', rf"\g<1>{name}-", svg)
    # The drawing takes the page's width and the page's typeface.
    svg = re.sub(r'(<svg[^>]*?) width="[^"]*"', r"\1", svg, count=1)
    svg = re.sub(r'(<svg[^>]*?) height="[^"]*"', r"\1", svg, count=1)
    svg = re.sub(r"(font(?:-family)?: *(?:[\d.]+px )?)'DejaVu Sans'[^;\"]*", r"\1sans-serif", svg)
    return svg.strip()


def _places(log: QualityLog, used: Sequence[FrameRecord]) -> FloatArray:
    return np.array([first_place(log, frame.position_mm or 0.0) for frame in used])


def _column(records: Sequence[Any], value: Callable[[Any], float | None]) -> FloatArray:
    return np.array([value(record) for record in records], dtype=np.float64)
