"""The page of one calibration as text: figures, maps, plots, trend. Arrays and facts in, text out.

The page holds everything it shows: no script, no request to anywhere, no clock. The same
calibration, first calibration and history give the same text.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING

from pipeline.calibration.compare import Comparison
from pipeline.calibration.conditions import frame_times_s, held_temperature
from pipeline.calibration.decisions import Entry, Status, history_of_panel
from pipeline.calibration.product import CalibrationFacts, CalibrationSet
from pipeline.model import Verdict
from pipeline.outputs.calibration import words as calibration_words
from pipeline.outputs.calibration.maps import change_maps, panel_maps
from pipeline.outputs.calibration.plots import draw_calibration_plots
from pipeline.outputs.calibration.trend_plot import draw_trend
from pipeline.outputs.drawing import words
from pipeline.outputs.drawing.templates import page_template
from pipeline.quality.acceptance_limits import AcceptanceLimits
from pipeline.quality.ageing import Acceptance, Figure

if TYPE_CHECKING:
    import jinja2


@dataclass(frozen=True, slots=True)
class Reason:
    """Why the verdict is no pass: mark, title, values, and what to do first."""

    mark: str
    title: str
    text: str
    what_to_do: str = ""


def render_calibration_page(
    calibration: CalibrationSet,
    acceptance: Acceptance,
    limits: AcceptanceLimits,
    *,
    first: CalibrationSet | None = None,
    since_first: Comparison | None = None,
    history: Sequence[Entry] = (),
) -> str:
    """The page as text. ``first`` is the panel's first calibration, ``since_first`` the comparison
    with it, ``history`` all calibrations of the panel in the order they were made."""
    facts = calibration.facts
    first_facts = None if first is None else first.facts
    status = _status(history, calibration.identity)
    gone = status.startswith(Status.WITHDRAWN)
    withdrawn = [Reason("fail", "This calibration is withdrawn", status)] if gone else []
    trend = draw_trend(
        _with_this(history, calibration),
        calibration.identity,
        "" if first is None else first.identity,
        limits,
    )
    return _template().render(
        facts=facts,
        temperature_c=held_temperature(facts),
        frame_time_s=frame_times_s(facts),
        identity=calibration.identity,
        first=first_facts,
        first_identity="" if first is None else first.identity,
        verdict=acceptance.verdict,
        verdict_word=words.VERDICT_WORDS[acceptance.verdict],
        verdict_meaning=calibration_words.VERDICT_MEANING[acceptance.verdict],
        reasons=[*withdrawn, *reasons_told(acceptance)],
        rows=_rows(acceptance.figures),
        not_measured=[
            (calibration_words.FIGURE_TITLES.get(name, name), needs)
            for name, needs in acceptance.not_measured
        ],
        remarks=acceptance.remarks,
        maps=panel_maps(calibration),
        change_maps=() if since_first is None or first is None
        else change_maps(since_first, first.classes, calibration.classes),
        plots=draw_calibration_plots(facts, first_facts, since_first),
        trend=trend,
        exposures=_exposures(facts),
        geometry=_geometry(facts),
        groups=_group_rows(facts, first_facts),
        status=status,
        fail_factor=limits.fail_factor,
    )  # fmt: skip


@cache
def _template() -> jinja2.Template:
    return page_template(
        "calibration/calibration.html",
        {"number": words.number, "plain": words.limit, "unbroken": words.unbroken},
    )


def reasons_told(acceptance: Acceptance) -> list[Reason]:
    """Every figure that didn't pass, failures first."""
    open_figures = [one for one in acceptance.figures if one.check.verdict is not Verdict.PASS]
    open_figures.sort(key=lambda one: one.check.verdict is not Verdict.FAIL)
    return [
        Reason(
            one.check.verdict.value,
            _title(one),
            calibration_words.reason_text(one),
            calibration_words.what_to_do(one.check.id),
        )
        for one in open_figures
    ]


def _rows(figures: Sequence[Figure]) -> list[dict[str, str]]:
    rows = []
    for figure in figures:
        check = figure.check
        reported = check.limit is None and check.verdict is Verdict.PASS
        rows.append(
            {
                "mark": "reported" if reported else check.verdict.value,
                "title": _title(figure),
                "id": check.id,
                "first": calibration_words.first_text(figure),
                "now": calibration_words.now_text(figure),
                "change": calibration_words.change_text(figure),
                "limit": calibration_words.limit_text(figure),
                "note": calibration_words.note_text(figure),
            }
        )
    return rows


def _title(figure: Figure) -> str:
    return calibration_words.FIGURE_TITLES.get(figure.check.id, figure.check.id)


def _exposures(facts: CalibrationFacts) -> list[dict[str, object]]:
    sets = []
    for one in facts.exposures:
        files = one.get("files")
        sets.append(
            {
                "kind": str(one.get("kind", "")).replace("_", " "),
                "folder": one.get("folder") or "",
                "dose": one.get("dose"),
                "files": len(files) if isinstance(files, list | tuple) else 0,
            }
        )
    return sets


def _geometry(facts: CalibrationFacts) -> list[tuple[str, str]]:
    """What a dot-grid shot told of the panel, in words."""
    found = facts.panel_geometry or {}
    return [
        (title, f"{words.number(found[name])}{unit}")
        for name, (title, unit) in calibration_words.GEOMETRY_WORDS.items()
        if name in found
    ]


def _group_rows(
    facts: CalibrationFacts, first: CalibrationFacts | None
) -> list[tuple[str, int, int | None]]:
    """Name, count now and count in the first calibration of each kind of group."""
    before = {} if first is None else first.bad_groups
    return [
        (title, facts.bad_groups[name], before.get(name))
        for name, title in calibration_words.GROUP_TITLES.items()
        if name in facts.bad_groups
    ]


def _with_this(history: Sequence[Entry], calibration: CalibrationSet) -> Sequence[Entry]:
    """The history with a calibration that isn't in the library yet at its place."""
    if not history or any(entry.identity == calibration.identity for entry in history):
        return history
    new = Entry("", calibration.identity, calibration.facts)
    return history_of_panel([*history, new], calibration.facts)


def _status(history: Sequence[Entry], identity: str) -> str:
    """What the library says of this calibration; "" where no library was asked."""
    if not history:
        return ""
    for entry in history:
        if entry.identity == identity:
            if entry.records:
                last = entry.records[-1]
                why = f": {last.reason}" if last.reason else ""
                return f"{last.status} on {last.when[:10]} by {last.who}{why}"
            return "in the library, not released"
    return "not in the library"
