"""The page ``quality.html`` as text, from a log and its strip: arrays in, text out.

The page holds everything it shows: no script, no request to anywhere, no clock. The same log and
strip give the same text.
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING

from pipeline.model import FlagImage, RawImage
from pipeline.outputs import check_words, facts, words
from pipeline.outputs.coverage import coverage_profile
from pipeline.outputs.findings import findings
from pipeline.outputs.pictures import (
    REPEAT_MM,
    WINDOW_MARGIN,
    WINDOW_PERCENTILES,
    display_window,
    ring_picture,
    section_pictures,
)
from pipeline.outputs.plots import draw_plots
from pipeline.outputs.ruler import sections
from pipeline.outputs.templates import page_template
from pipeline.quality.log import QualityLog, Seam

if TYPE_CHECKING:
    import jinja2
    from markupsafe import Markup

_OPEN_ROWS = 100  # a longer table is folded away


@dataclass(frozen=True, slots=True)
class RingMark:
    """A line or label round the ring picture, in the picture's own units of −1 … 1."""

    x: float
    y: float
    x_outer: float
    y_outer: float
    label: str


@dataclass(frozen=True, slots=True)
class SeamRow:
    """A seam as the table shows it, and what of it is beyond its limit."""

    seam: Seam
    step_percent: float | None
    step_over: bool
    doubling_over: bool
    disagreement_over: bool


def render_page(log: QualityLog, strip: RawImage, count: FlagImage, origin: FlagImage) -> str:
    """The page as text; ``strip``, ``count`` and ``origin`` are (rows, columns) as in the log."""
    shape = log.strip
    clockwise = shape.direction == "clockwise"
    coverage = coverage_profile(count, origin, pitch_mm=shape.pitch_mm, s_first_mm=shape.s_first_mm)
    with ThreadPoolExecutor(1) as aside:  # plots and pictures don't need each other
        drawn = aside.submit(draw_plots, log, coverage)
        window = display_window(strip, origin)
        pictures = section_pictures(
            strip, origin, window, pitch_mm=shape.pitch_mm, s_first_mm=shape.s_first_mm
        )
        ring = ring_picture(
            strip,
            origin,
            window,
            pitch_mm=shape.pitch_mm,
            s_first_mm=shape.s_first_mm,
            circumference_mm=shape.circumference_mm,
            clockwise=clockwise,
        )
        plots = drawn.result()
    return _template().render(
        log=log,
        verdict_word=words.VERDICT_WORDS[log.verdict],
        verdict_meaning=words.VERDICT_MEANING[log.verdict],
        findings=findings(log),
        say=check_words,
        weld_facts=facts.weld_facts(log),
        geometry_facts=facts.geometry_facts(log),
        calibration_facts=facts.calibration_facts(log),
        bad_pixel_rows=facts.bad_pixel_rows(log),
        software_parts=facts.software_parts(log),
        window=window,
        percentiles=WINDOW_PERCENTILES,
        margin_percent=100 * WINDOW_MARGIN,
        repeat_mm=REPEAT_MM,
        sections=sections(log, pictures),
        ring=ring,
        ring_hours=_ring_hours(),
        ring_seams=_ring_seams(log, clockwise),
        plots=plots,
        edge_percent=100 * coverage.edge_fraction,
        seam_rows=_seam_rows(log),
        left_out=[frame for frame in log.frames if not frame.used],
        open_rows=_OPEN_ROWS,
    )


@cache
def _template() -> jinja2.Template:
    return page_template(
        "report.html",
        {"number": words.number, "limit": words.limit, "breakable": _breakable},
    )


def _breakable(text: str) -> Markup:
    """An id or a path that may be broken after its dots, slashes and underlines only."""
    from markupsafe import Markup, escape  # noqa: PLC0415  comes with jinja2

    return Markup(re.sub(r"[./_]", r"\g<0><wbr>", str(escape(text))))


def _ring_hours() -> tuple[RingMark, ...]:
    return tuple(_ring_mark(hour / 12, 0.95, 0.95, str(hour)) for hour in range(1, 13))


def _ring_seams(log: QualityLog, clockwise: bool) -> Sequence[RingMark]:
    turns = (seam.s_mm / log.strip.circumference_mm for seam in log.seams)
    return [_ring_mark(turn if clockwise else -turn, 0.535, 0.57, "") for turn in turns]


def _ring_mark(turn: float, inner: float, outer: float, label: str) -> RingMark:
    x, y = math.sin(2 * math.pi * turn), -math.cos(2 * math.pi * turn)
    return RingMark(
        round(inner * x, 4), round(inner * y, 4), round(outer * x, 4), round(outer * y, 4), label
    )


def _seam_rows(log: QualityLog) -> list[SeamRow]:
    step_limit, doubling_limit = log.limit_of("seam.level_step"), log.limit_of("seam.doubling")
    disagreement_limit = log.limit_of("seam.disagreement")
    return [
        SeamRow(
            seam,
            None if seam.level_step is None else 100 * seam.level_step,
            _beyond(seam.level_step, step_limit),
            _beyond(seam.doubling, doubling_limit),
            _beyond(seam.disagreement, disagreement_limit),
        )
        for seam in log.seams
    ]


def _beyond(value: float | None, limit: float | None) -> bool:
    return value is not None and limit is not None and abs(value) > limit
