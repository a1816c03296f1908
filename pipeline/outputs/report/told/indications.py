"""The indications as a page shows them: a row each, in words; nothing is judged."""

from __future__ import annotations

import math
from dataclasses import dataclass

from pipeline.outputs.drawing.words import number
from pipeline.quality.noted.indication import (
    AggregateLength,
    Figure,
    IndicationList,
    MeasuredIndication,
    Polarity,
    SeenExtent,
    Suggestion,
)

_MOST_DECIMALS = 3

POLARITY_WORDS: dict[Polarity, str] = {
    "more_radiation": "more radiation came through",
    "less_radiation": "less radiation came through",
    "undecided": "not told from the metal beside it",
}

POLARITY_NOTE = (
    "Polarity: where more radiation came through than beside it, gray values are larger, contrast "
    "and CNR are positive, and it is dark in a film-like negative, light in a positive picture."
)


@dataclass(frozen=True, slots=True)
class IndicationRow:
    """One indication in words; what isn't known is empty, ``why_not`` says why nothing is."""

    id: str
    kind: str
    note: str
    why_not: str
    place: str = ""
    clock: str = ""
    axial: str = ""
    offset: str = ""
    length: str = ""
    run: str = ""
    seen: str = ""
    seen_more: str = ""
    seen_notes: tuple[str, ...] = ()
    contrast: str = ""
    cnr: str = ""
    polarity: str = ""
    seam: str = ""


@dataclass(frozen=True, slots=True)
class LengthRow:
    """The lengths of one kind taken together, in words; ``not_counted`` is empty where all lie on
    the strip."""

    kind: str
    count: str
    not_counted: str
    total: str
    share: str
    in_window: str
    where: str


@dataclass(frozen=True, slots=True)
class SuggestionRow:
    """A suggested region in words."""

    label: str
    place: str
    axial: str
    contrast: str
    polarity: str


@dataclass(frozen=True, slots=True)
class IndicationTables:
    """What the page's part on indications shows; ``suggestions`` is None where none were asked."""

    indications: tuple[IndicationRow, ...]
    lengths: tuple[LengthRow, ...]
    suggestions: tuple[SuggestionRow, ...] | None
    window: str
    weld_length: str
    polarity_note: str = POLARITY_NOTE


def indication_tables(found: IndicationList | None) -> IndicationTables | None:
    """The tables of a list of indications; None where there is no list."""
    return None if found is None else _tables(found)


def _tables(found: IndicationList) -> IndicationTables:
    suggested = found.suggestions
    return IndicationTables(
        tuple(_row(one) for one in found.indications),
        tuple(_length_row(one) for one in found.lengths),
        None
        if suggested is None
        else tuple(_suggestion_row(k, one) for k, one in enumerate(suggested, start=1)),
        number(found.window_mm, 0),
        number(found.weld_length_mm, 1),
    )


def indications_text(found: IndicationList) -> str:
    """The same for a terminal: each indication, their lengths, what was suggested."""
    tables = _tables(found)
    lines = [line for row in tables.indications for line in _paragraph(row)]
    lines += [
        f"together    {one.kind}: {one.count} of {one.total} mm, {one.share} % of "
        f"{tables.weld_length} mm; {one.in_window} mm in any {tables.window} mm"
        + (f", from {one.where} mm on" if one.where else "")
        for one in tables.lengths
    ]
    lines += [
        f"suggestion  {one.label}: {one.place} mm, {one.axial} mm along the pipe, {one.contrast}, "
        f"{one.polarity}: look there; it is no indication"
        for one in tables.suggestions or ()
    ]
    text = "\n".join([*(lines or ["no indication was noted"]), tables.polarity_note])
    return text.replace("\u00a0", " ")


def _paragraph(row: IndicationRow) -> list[str]:
    """What is known of an indication, a line each."""
    note = f" ({row.note})" if row.note else ""
    told = (
        ("", f"not measured: {row.why_not}" if row.why_not else ""),
        ("from datum", row.place),
        ("clock", row.clock),
        ("length", row.length),
        ("its line", row.run),
        ("along pipe", row.axial),
        ("off centre", row.offset),
        ("seen", "; ".join(part for part in (row.seen, row.seen_more) if part)),
        ("contrast", row.contrast),
        ("CNR", row.cnr),
        ("polarity", row.polarity),
        ("seam", row.seam),
    )
    return [
        f"indication  {row.id}: {row.kind}{note}",
        *(f"  {label:12}{text}" for label, text in told if text),
    ]


def _row(one: MeasuredIndication) -> IndicationRow:
    first, last = one.s_first_mm, one.s_last_mm
    low, high = one.z_first_mm, one.z_last_mm
    if first is None or last is None or low is None or high is None:
        return IndicationRow(one.id, one.kind, one.note, one.why_not)
    seen = one.seen
    percent = one.contrast and Figure(100 * one.contrast.value, 100 * one.contrast.sigma)
    return IndicationRow(
        one.id,
        one.kind,
        one.note,
        one.why_not,
        place=_known(last, 1, before=first),
        clock=_clocks(one.clock_first_h, one.clock_last_h),
        axial=_axial(low.value, high.value),
        offset=_known(one.axial_offset_mm, 1, sign=True),
        length=_known(one.length_mm, 1),
        run=_known(one.run_mm, 1),
        seen=_size(seen) if seen else "doesn’t stand out",
        seen_more=_more(seen) if seen else "",
        seen_notes=seen.remarks if seen else (),
        contrast=f"{_known(percent, 1, sign=True)}\u00a0%" if percent else "",
        cnr=_known(one.cnr, 1, sign=True),
        polarity=POLARITY_WORDS[one.polarity],
        seam=_seam(one),
    )


def _size(seen: SeenExtent) -> str:
    return f"{_known(seen.length_mm, 1)}\u00a0long, {_known(seen.width_mm, 1)}\u00a0wide"


def _more(seen: SeenExtent) -> str:
    area = f"{_known(seen.area_mm2, 1)} mm²"
    return area + ("; goes on past what was marked" if seen.goes_on else "")


def _seam(one: MeasuredIndication) -> str:
    if one.seam is None or one.seam_distance_mm is None:
        return ""
    away = one.seam_distance_mm
    where = "crosses it" if away.value == 0 else f"{_known(away, 1)} away"
    return f"{one.seam}: {where}"


def _length_row(one: AggregateLength) -> LengthRow:
    share = Figure(100 * one.share.value, 100 * one.share.sigma)
    return LengthRow(
        one.kind or "all",
        str(one.count),
        f"{one.not_on_strip} more not on the strip" if one.not_on_strip else "",
        _known(one.total_mm, 1),
        _known(share, 2),
        _known(one.in_window_mm, 1),
        number(one.window_from_mm, 1) if one.count else "",
    )


def _suggestion_row(count: int, one: Suggestion) -> SuggestionRow:
    first, last, low, high = one.box_mm
    return SuggestionRow(
        f"?{count}",
        f"{number(first, 1)}\u00a0to\u00a0{number(last, 1)}",
        _axial(low, high),
        f"{number(one.strength, 1)} σ of the weld elsewhere; CNR\u00a0{number(one.cnr, 1)}",
        POLARITY_WORDS[one.polarity],
    )


def _clocks(*hours: float | None) -> str:
    """The clock positions of both ends, once where they read the same."""
    minutes = [round(60 * one) % 720 for one in hours if one is not None]
    return " to ".join(dict.fromkeys(f"{one // 60 or 12}:{one % 60:02d}" for one in minutes))


def _axial(low_mm: float, high_mm: float) -> str:
    return f"{number(low_mm, 1, sign=True)}\u00a0to\u00a0{number(high_mm, 1, sign=True)}"


def _known(
    figure: Figure | None, decimals: int, *, sign: bool = False, before: Figure | None = None
) -> str:
    """A value and its standard deviation in one piece, both to the latter's first digit, or second
    after a leading 1; with ``decimals`` and alone where that is zero; empty for None.

    ``before`` is the beginning of the range that it ends, which shares its standard deviation.
    """
    if figure is None:
        return ""
    if figure.sigma > 0:
        power = math.floor(math.log10(figure.sigma))
        leading = figure.sigma / 10**power
        decimals = min(max(0, -power + (1 if leading < 2 else 0)), _MOST_DECIMALS)
    start = f"{number(before.value, decimals)}\u00a0to " if before else ""
    value = start + number(figure.value, decimals, sign=sign)
    return f"{value}\u00a0±\u00a0{number(figure.sigma, decimals)}" if figure.sigma > 0 else value
