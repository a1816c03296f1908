"""Plots of a quality log along the strip, as SVG text that stands inside a page.

Each plot shares the distance axis and comes with a title, a sentence that says what to see in it,
and one that says what was found.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from pipeline.outputs.drawing.plot import Plot
from pipeline.outputs.drawing.svg import BLUE, VERMILION
from pipeline.outputs.drawing.words import number
from pipeline.outputs.report.plots.along_strip import (
    LIMIT_LINE,
    Limit,
    along_strip,
    column,
    marks,
    places,
)
from pipeline.outputs.report.plots.coverage import CoverageProfile
from pipeline.outputs.report.plots.quality import quality_plots
from pipeline.quality.log import FrameRecord, QualityLog, Seam, TapeFacts

_BLUE_RGB = tuple(int(BLUE[k : k + 2], 16) / 255 for k in (1, 3, 5))


def draw_plots(log: QualityLog, coverage: CoverageProfile) -> tuple[Plot, ...]:
    """All plots of a log, in reading order; plots without any data to show are left out."""
    used = [frame for frame in log.frames if frame.used]
    plots = [_coverage(log, coverage)]
    if coverage.filled.any():
        plots.append(_filled(log, coverage))
    if used:
        plots += [_position(log, used), _sigma(log, used), _axial(log, used), _level(log, used)]
    if any(seam.level_step is not None for seam in log.seams):
        plots.append(_level_step(log))
    if any(seam.doubling is not None for seam in log.seams):
        plots.append(_doubling(log))
    if any(_disagrees(seam) for seam in log.seams):
        plots.append(_disagreement(log))
    if log.tape is not None:
        plots.append(_tape(log, log.tape))
    return (*plots, *quality_plots(log))


def _coverage(log: QualityLog, coverage: CoverageProfile) -> Plot:
    most = max(1.0, float(coverage.least.max()))
    limit = log.limit_of("coverage.frames")

    def draw(axes: Any) -> None:
        axes.stairs(
            coverage.least, coverage.edges_mm, fill=True, fc=(*_BLUE_RGB, 0.22), ec=BLUE, lw=1
        )
        if limit is not None:
            axes.axhline(limit, **LIMIT_LINE)
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
        along_strip("coverage", log, "frames", draw),
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


def _filled(log: QualityLog, coverage: CoverageProfile) -> Plot:
    percent = 100 * coverage.filled
    middle_mm = (coverage.edges_mm[1:] + coverage.edges_mm[:-1]) / 2
    most = int(np.argmax(percent))

    def draw(axes: Any) -> None:
        axes.stairs(percent, coverage.edges_mm, fill=True, fc=(*_BLUE_RGB, 0.22), ec=BLUE, lw=1)
        axes.set_ylim(0, 1.2 * float(percent.max()))

    return Plot(
        "Filled pixels",
        "Which part of the pixels no frame measured, so that they were filled in from their "
        "neighbours: bad pixels of the panel where only one frame saw the place. A long stretch "
        "above the rest is a row or column of the panel, or a thin overlap.",
        f"{number(100 * coverage.filled_fraction)} % in all; most {number(percent[most])} % at "
        f"{number(middle_mm[most], 0)} mm.",
        along_strip("filled", log, "filled pixels / %", draw),
    )


def _position(log: QualityLog, used: Sequence[FrameRecord]) -> Plot:
    at = places(log, used)
    difference = column(used, lambda f: f.position_mm) - column(used, lambda f: f.encoder_mm)
    sigma = column(used, lambda frame: frame.sigma_mm)
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
        along_strip("position", log, "position − encoder / mm", draw),
    )


def _sigma(log: QualityLog, used: Sequence[FrameRecord]) -> Plot:
    at, sigma = places(log, used), column(used, lambda frame: frame.sigma_mm)
    far = int(np.argmax(sigma))
    limit = Limit.of(log.limit_of("registration.position_sigma_mm"), sigma)
    return Plot(
        "Uncertainty of the positions",
        "One σ of each frame’s solved position, relative to the first frame. It grows with the way "
        "from there, round a ring as far as the other side; steeply where only the encoder tells "
        "how far the carriage went.",
        f"Largest {number(sigma[far])} mm at {number(at[far], 0)} mm." + limit.sentence(" mm"),
        along_strip(
            "sigma", log, "σ of the position / mm", marks(at, sigma, "o", BLUE, limit=limit)
        ),
    )


def _axial(log: QualityLog, used: Sequence[FrameRecord]) -> Plot:
    at, axial = places(log, used), column(used, lambda frame: frame.axial_mm)
    return Plot(
        "Axial wander",
        "How far the carriage ran off its track along the pipe. A smooth wave is a band that sits "
        "askew; a jump is a slip.",
        f"From {number(float(axial.min()), 2, sign=True)} to "
        f"{number(float(axial.max()), 2, sign=True)} mm.",
        along_strip("axial", log, "axial shift / mm", marks(at, axial, "o", BLUE, zero=True)),
    )


def _level(log: QualityLog, used: Sequence[FrameRecord]) -> Plot:
    at, level = places(log, used), column(used, lambda frame: frame.level)
    spread = 100 * float(level.max() - level.min())
    return Plot(
        "Level of each frame",
        "Relative exposure, taken out before blending. One slow wave round the pipe is a source "
        "off the axis; single steps are the tube.",
        f"Spread {number(spread)} % between the weakest and the strongest frame.",
        along_strip("level", log, "relative exposure", marks(at, level, "o", BLUE)),
    )


def _level_step(log: QualityLog) -> Plot:
    seams = [seam for seam in log.seams if seam.level_step is not None]
    at = np.array([seam.s_mm for seam in seams])
    step = 100 * column(seams, lambda seam: seam.level_step)
    far = int(np.argmax(np.abs(step)))
    told = log.limit_of("seam.level_step")
    limit = Limit.of(None if told is None else 100 * told, step, both_sides=True)
    return Plot(
        "Gray step at the seams",
        "What is left of the difference between two frames where one takes over from the other. "
        "Steps beyond the limit can be seen as edges.",
        f"Largest {number(step[far], sign=True)} % at {number(at[far], 0)} mm."
        + limit.sentence(" %"),
        along_strip(
            "step", log, "step / %", marks(at, step, "D", VERMILION, zero=True, limit=limit)
        ),
    )


def _doubling(log: QualityLog) -> Plot:
    seams = [seam for seam in log.seams if seam.doubling is not None]
    at = np.array([seam.s_mm for seam in seams])
    doubling = column(seams, lambda seam: seam.doubling)
    far = int(np.argmax(doubling))
    limit = Limit.of(log.limit_of("seam.doubling"), doubling)
    return Plot(
        "Disagreement in the overlaps",
        "How much two frames differ where both saw the weld, in units of their noise. About 1 is "
        "noise alone; more means doubled edges, movement or a wrong stand-off.",
        f"Largest {number(doubling[far], 2)} at {number(at[far], 0)} mm." + limit.sentence(""),
        along_strip(
            "doubling",
            log,
            "disagreement / σ",
            marks(at, doubling, "D", VERMILION, limit=limit),
        ),
    )


def _disagrees(seam: Seam) -> bool:
    return seam.disagreement is not None and seam.disagreement_s_mm is not None


def _disagreement(log: QualityLog) -> Plot:
    seams = [seam for seam in log.seams if _disagrees(seam)]
    at = column(seams, lambda seam: seam.disagreement_s_mm)
    sigmas = column(seams, lambda seam: seam.disagreement)
    far = int(np.argmax(sigmas))
    limit = Limit.of(log.limit_of("seam.disagreement"), sigmas)
    return Plot(
        "Disagreement in the finished strip",
        "How far all frames lie apart where they were put, at the worst few millimetres near each "
        "seam, in units of their noise. About 1 is noise alone; more than in the overlaps above "
        "means that the places or the geometry are wrong, not the pictures.",
        f"Largest {number(sigmas[far], 2)} at {number(at[far], 0)} mm, "
        f"{number(seams[far].disagreement_z_mm, 1, sign=True)} mm along the pipe."
        + limit.sentence(""),
        along_strip(
            "disagreement",
            log,
            "disagreement / σ",
            marks(at, sigmas, "D", VERMILION, limit=limit),
        ),
    )


def _tape(log: QualityLog, tape: TapeFacts) -> Plot:
    at = column(tape.ticks, lambda tick: tick.s_mm)
    off = column(tape.ticks, lambda tick: tick.deviation_mm)
    far = int(np.argmax(np.abs(off)))
    limit = Limit.of(log.limit_of("position.tape_mm"), off, both_sides=True)
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
        along_strip(
            "tape", log, "deviation / mm", marks(at, off, "o", BLUE, zero=True, limit=limit)
        ),
    )
