"""The page of one calibration as text: figures, maps, plots, trend. Arrays and facts in, text out.

The page holds everything it shows: no script, no request to anywhere, no clock. The same
calibration, first calibration and history give the same text.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING

import numpy as np

from pipeline.calibration.compare import Comparison
from pipeline.calibration.decisions import Entry, Status, history_of_panel
from pipeline.calibration.grouping import BadGroup, GroupKind, group_bad_pixels
from pipeline.calibration.product import CalibrationFacts, CalibrationSet
from pipeline.model import FlagImage, PixelClass, Verdict
from pipeline.outputs import calibration_words, words
from pipeline.outputs.calibration_plots import draw_calibration_plots
from pipeline.outputs.panel_pictures import (
    CLASS_COLOURS,
    COME_COLOUR,
    GONE_COLOUR,
    KEPT_COLOUR,
    MapPicture,
    bad_pixel_picture,
    change_picture,
    changed_pixel_picture,
    gray_picture,
)
from pipeline.outputs.templates import page_template
from pipeline.outputs.trend_plot import draw_trend
from pipeline.quality.acceptance_limits import AcceptanceLimits
from pipeline.quality.ageing import Acceptance, Figure

if TYPE_CHECKING:
    import jinja2

MAX_RINGS, MAX_LABELS = 60, 8
"""So many groups are ringed and so many named, the largest first; more would hide the map."""


LABELS = (
    "Labels: rc8x5-12 is a cluster 8 rows high and 5 columns wide, 12 of whose pixels have too few "
    "good neighbours; l1x300 is a line, 1 row high and 300 columns wide."
)


@dataclass(frozen=True, slots=True)
class PageMap:
    """One map of the page: title, what to see, picture, and the unit and ends of its scale."""

    title: str
    what_to_see: str
    picture: MapPicture
    low: str = ""
    high: str = ""
    colours: tuple[tuple[str, str], ...] = ()
    rings: tuple[Ring, ...] = ()
    signed: bool = False


@dataclass(frozen=True, slots=True)
class Ring:
    """A frame round a group of bad pixels, in the picture's pixels, and its label."""

    x: float
    y: float
    width: float
    height: float
    label: str
    text_x: float
    text_y: float


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
        maps=_maps(calibration),
        change_maps=() if since_first is None or first is None
        else _change_maps(since_first, first.classes, calibration.classes),
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
    return page_template("calibration.html", {"number": words.number, "plain": words.limit})


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


def _maps(calibration: CalibrationSet) -> tuple[PageMap, ...]:
    good = calibration.classes == 0
    gain, dark = gray_picture(calibration.gain, good), gray_picture(calibration.dark, good)
    kinds = [kind for kind in PixelClass if np.any(calibration.classes & np.uint8(kind))]
    bad = bad_pixel_picture(calibration.classes)
    return (
        PageMap(
            "Bad pixels",
            "Single ones strewn about are ordinary. Ringed are lines and clusters that their "
            "neighbours can't fill well; look whether the weld runs there. " + LABELS,
            bad,
            colours=tuple(
                (CLASS_COLOURS[kind], str(kind.name).lower().replace("_", " ")) for kind in kinds
            ),
            rings=_rings(calibration.classes, bad),
        ),
        PageMap(
            "Gain",
            "Relative response. Blocks and stripes are the read-out's and belong there; spots and "
            "blots are dust, or something that lay in the beam.",
            gain,
            low=words.number(gain.low, 3),
            high=words.number(gain.high, 3),
        ),
        PageMap(
            "Dark",
            "What the panel shows without radiation. A bright corner or edge is warm electronics "
            "or light that leaks in.",
            dark,
            low=f"{words.number(dark.low, 0)} GV",
            high=f"{words.number(dark.high, 0)} GV",
        ),
    )


def _change_maps(since: Comparison, first: FlagImage, now: FlagImage) -> tuple[PageMap, ...]:
    good, dark_change = since.both_good, since.dark_change - np.float32(since.dark.median)
    gain = change_picture(since.gain_change, good, noise=since.gain.expected or 0.0)
    dark = change_picture(dark_change, good, noise=since.dark.expected or 0.0)
    kept = (first != 0) & (now != 0)
    return (
        PageMap(
            "Bad pixels come and gone",
            f"{since.pixels.come} turned bad, {since.pixels.gone} are good again. Many of both "
            "is exposures too noisy to tell; many new ones close together is damage.",
            changed_pixel_picture(since.pixels.come_map, since.pixels.gone_map, kept),
            colours=((COME_COLOUR, "new"), (GONE_COLOUR, "good again"), (KEPT_COLOUR, "as before")),
        ),
        PageMap(
            "Change of the gain",
            "A smooth slope is the beam or the source's place; blocks are the read-out; a sharp "
            "outline is something in the beam. Pale grain is the exposures' noise.",
            gain,
            low=f"{words.number(100 * (gain.low or 0), sign=True)} %",
            high=f"{words.number(100 * (gain.high or 0), sign=True)} %",
            signed=True,
        ),
        PageMap(
            "Change of the dark",
            f"Without its median change of {words.number(since.dark.median, 1, sign=True)} GV. "
            "A pattern is temperature or light.",
            dark,
            low=f"{words.number(dark.low, 1, sign=True)} GV",
            high=f"{words.number(dark.high, 1, sign=True)} GV",
            signed=True,
        ),
    )


def _rings(classes: FlagImage, picture: MapPicture) -> tuple[Ring, ...]:
    """Frames round lines and relevant clusters, the largest first."""
    kinds = (GroupKind.LINE, GroupKind.RELEVANT_CLUSTER)
    groups = [group for group in group_bad_pixels(classes).groups if group.kind in kinds]
    groups.sort(key=lambda group: (-group.pixels, group.row, group.column))
    scale = picture.width_px / classes.shape[1]
    return tuple(
        _ring(group, scale, picture, named=k < MAX_LABELS)
        for k, group in enumerate(groups[:MAX_RINGS])
    )


def _ring(group: BadGroup, scale: float, picture: MapPicture, *, named: bool) -> Ring:
    margin = 5.0
    x, y = group.column * scale - margin, group.row * scale - margin
    width, height = group.columns * scale + 2 * margin, group.rows * scale + 2 * margin
    right = x + width + 3
    beyond = right + 8.5 * len(group.label) > picture.width_px
    return Ring(
        x=round(x, 1),
        y=round(y, 1),
        width=round(width, 1),
        height=round(height, 1),
        label=group.label if named else "",
        text_x=round(x - 3 if beyond else right, 1),
        text_y=round(min(max(y + 10, 10), picture.height_px - 2), 1),
    )


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
