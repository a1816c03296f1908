"""The page ``quality.html`` as text, from a log and its strip: arrays in, text out.

The page holds everything it shows: no script, no request to anywhere, no clock. The same log and
strip give the same text.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cache, partial
from typing import TYPE_CHECKING

from pipeline.model import FlagImage, RawImage
from pipeline.outputs.drawing import words
from pipeline.outputs.drawing.templates import page_template
from pipeline.outputs.report.plots.along import draw_plots
from pipeline.outputs.report.plots.coverage import CoverageProfile, coverage_profile
from pipeline.outputs.report.told import check_words, facts
from pipeline.outputs.report.told.findings import findings
from pipeline.outputs.report.told.indications import indication_tables
from pipeline.outputs.report.told.judged_quality import unjudged_quality
from pipeline.outputs.report.told.quality_rows import measure_rows
from pipeline.outputs.report.views.gauge_views import gauge_sentences, gauge_views
from pipeline.outputs.report.views.indication_views import (
    LONGEST_MM,
    indication_views,
    suggestion_views,
)
from pipeline.outputs.report.views.marked_places import BESIDE_MM
from pipeline.outputs.report.views.pictures import (
    REPEAT_MM,
    RING_BAND,
    WINDOW_MARGIN,
    WINDOW_PERCENTILES,
    Picture,
    ShownStrip,
    Window,
    display_window,
    ring_picture,
    section_pictures,
    shown_strip,
)
from pipeline.outputs.report.views.ruler import sections
from pipeline.outputs.report.views.seam_views import SEAM_MM, seam_pictures, seam_rows
from pipeline.quality.log import QualityLog, StripFacts

if TYPE_CHECKING:
    import jinja2
    from markupsafe import Markup

_OPEN_ROWS = 100  # a longer table is folded away
_OPEN_PICTURES = 12


@dataclass(frozen=True, slots=True)
class RingMark:
    """A line or label round the ring picture, in the picture's own units of −1 … 1."""

    x: float
    y: float
    x_outer: float
    y_outer: float
    label: str


@dataclass(frozen=True, slots=True)
class _Seen:
    """What a strip looks like, whatever its log says."""

    coverage: CoverageProfile
    window: Window
    shown: ShownStrip
    sections: tuple[Picture, ...]
    ring: str


def begin_page(
    shape: StripFacts, strip: RawImage, count: FlagImage, origin: FlagImage
) -> Callable[[QualityLog], str]:
    """Makes the pictures of a strip, before its log is known; what is returned makes the page.

    ``strip``, ``count`` and ``origin`` are (rows, columns) as in ``shape``.
    """
    window = display_window(strip, origin)
    shown = shown_strip(strip, origin, window)
    seen = _Seen(
        coverage_profile(count, origin, pitch_mm=shape.pitch_mm, s_first_mm=shape.s_first_mm),
        window,
        shown,
        section_pictures(shown, pitch_mm=shape.pitch_mm, s_first_mm=shape.s_first_mm),
        ring_picture(
            shown,
            pitch_mm=shape.pitch_mm,
            s_first_mm=shape.s_first_mm,
            circumference_mm=shape.circumference_mm,
            clockwise=shape.direction == "clockwise",
        ),
    )
    return partial(_page, seen, strip, origin)


def render_page(log: QualityLog, strip: RawImage, count: FlagImage, origin: FlagImage) -> str:
    """The page as text; ``strip``, ``count`` and ``origin`` are (rows, columns) as in the log."""
    return begin_page(log.strip, strip, count, origin)(log)


def _page(seen: _Seen, strip: RawImage, origin: FlagImage, log: QualityLog) -> str:
    rows = seam_rows(log)
    gauges = gauge_views(log, strip, origin)
    shown_sections = sections(log, seen.sections)
    return _template().render(
        log=log,
        verdict_word=check_words.VERDICT_WORDS[log.verdict],
        verdict_meaning=check_words.VERDICT_MEANING[log.verdict],
        unjudged=unjudged_quality(log),
        findings=findings(log),
        say=check_words,
        weld_facts=facts.weld_facts(log),
        geometry_facts=facts.geometry_facts(log),
        calibration_facts=facts.calibration_facts(log),
        bad_pixel_rows=facts.bad_pixel_rows(log),
        software_parts=facts.software_parts(log),
        window=seen.window,
        percentiles=WINDOW_PERCENTILES,
        margin_percent=100 * WINDOW_MARGIN,
        repeat_mm=REPEAT_MM,
        sections=shown_sections,
        ring=seen.ring,
        ring_band=RING_BAND,
        ring_hours=_ring_hours(),
        ring_seams=_ring_seams(log),
        plots=draw_plots(log, seen.coverage),
        edge_percent=100 * seen.coverage.edge_fraction,
        seam_rows=rows,
        seam_pictures=seam_pictures(log, seen.shown, rows),
        seam_mm=SEAM_MM,
        measure_rows=measure_rows(log),
        measured={one.id for one in log.measures},
        gauges=gauges,
        gauge_sentences=gauge_sentences(gauges),
        left_out=[frame for frame in log.frames if not frame.used],
        indications=indication_tables(log.indications),
        indication_views=indication_views(log, strip, origin),
        suggestion_views=suggestion_views(log, strip, origin),
        longest_mm=LONGEST_MM,
        beside_mm=BESIDE_MM,
        places_marked=any(section.boxes for section in shown_sections),
        open_rows=_OPEN_ROWS,
        open_pictures=_OPEN_PICTURES,
    )


@cache
def _template() -> jinja2.Template:
    return page_template(
        "report/report.html",
        {"number": words.number, "limit": words.limit, "breakable": _breakable},
    )


def _breakable(text: str) -> Markup:
    """An id or a path that may be broken after its dots, slashes and underlines only."""
    from markupsafe import Markup, escape  # noqa: PLC0415  comes with jinja2

    return Markup(re.sub(r"[./_]", r"\g<0><wbr>", str(escape(text))))


def _ring_hours() -> tuple[RingMark, ...]:
    return tuple(_ring_mark(hour / 12, 0.95, 0.95, str(hour)) for hour in range(1, 13))


def _ring_seams(log: QualityLog) -> Sequence[RingMark]:
    clockwise = log.strip.direction == "clockwise"
    turns = (seam.s_mm / log.strip.circumference_mm for seam in log.seams)
    return [_ring_mark(turn if clockwise else -turn, 0.535, 0.57, "") for turn in turns]


def _ring_mark(turn: float, inner: float, outer: float, label: str) -> RingMark:
    x, y = math.sin(2 * math.pi * turn), -math.cos(2 * math.pi * turn)
    return RingMark(
        round(inner * x, 4), round(inner * y, 4), round(outer * x, 4), round(outer * y, 4), label
    )
