"""The indications' part of a page: in words, escaped, polarity stated, nothing judged."""

from __future__ import annotations

import re
from dataclasses import replace

from pipeline.outputs.drawing.templates import page_template
from pipeline.outputs.report.told.indications import indication_tables, indications_text
from pipeline.quality.noted.indication import (
    AggregateLength,
    Figure,
    IndicationList,
    MeasuredIndication,
    SeenExtent,
    Suggestion,
)

SEEN = SeenExtent(
    100.0, 103.0, 1.0, 2.0, Figure(3.0, 0.04), Figure(1.0, 0.05), Figure(3.0, 0.06),
    Figure(0.95, 0.05), Figure(2.7, 0.2), goes_on=True, parts=3,
    remarks=("3 parts stand out", "it may be <narrower>"),
)  # fmt: skip
FOUND = MeasuredIndication(
    "1", "slag <line>", "see & compare", "", Figure(99.5, 0.03), Figure(103.5, 0.03),
    Figure(0.5, 0.03), Figure(2.5, 0.03), Figure(4.0, 0.05), Figure(2.0, 0.04), Figure(4.2, 0.05),
    2.26, 2.35, Figure(-1.2, 0.05), 4, Figure(0.0, 0.04), 1.0, "more_radiation",
    Figure(0.083, 0.006), Figure(25.0, 1.8), 2.4, SEEN,
)  # fmt: skip
NOT_SEEN = replace(
    FOUND, id="2", kind="pore", note="", run_mm=None, polarity="undecided", seen=None, cnr=None,
    axial_offset_mm=None, seam_distance_mm=Figure(12.0, 0.04),
)  # fmt: skip
OFF = MeasuredIndication("3", "pore", "", "lies off the strip")
ALL = AggregateLength("", 2, Figure(8.0, 0.07), Figure(0.0151, 0.0001), Figure(8.0, 0.07), 99.5, 1)
LIST = IndicationList(300.0, 528.7, (FOUND, NOT_SEEN, OFF), (ALL,))


def page(found: IndicationList | None) -> str:
    """The part as a page shows it, tags and all."""
    template = page_template("report/indications.html", {})
    return template.render(
        indications=indication_tables(found), indication_views=(), suggestion_views=(),
        open_pictures=12, longest_mm=60.0,
    )  # fmt: skip


def plain(text: str) -> str:
    """With ordinary blanks."""
    return text.replace("\u00a0", " ")


def test_a_row_tells_what_was_measured() -> None:
    row = indication_tables(LIST).indications[0]
    assert row.place == "99.50\u00a0to 103.50\u00a0±\u00a00.03"
    assert row.clock == "2:16 to 2:21"
    assert plain(row.length) == "4.00 ± 0.05"
    assert plain(row.run) == "4.20 ± 0.05"
    assert plain(row.axial) == "+0.5 to +2.5"
    assert plain(row.offset) == "−1.20 ± 0.05"
    assert plain(row.contrast) == "+8.3 ± 0.6 %"
    assert plain(row.cnr) == "+25.0 ± 1.8"
    assert row.polarity == "more radiation came through"
    assert row.seam == "4: crosses it"
    assert plain(row.seen) == "3.00 ± 0.06 long, 0.95 ± 0.05 wide"
    assert plain(row.seen_more) == "2.7 ± 0.2 mm²; goes on past what was marked"


def test_what_is_not_known_is_left_out_or_said() -> None:
    _, row, off = indication_tables(LIST).indications
    assert row.offset == ""
    assert (row.cnr, row.run, row.seen_more) == ("", "", "")
    assert row.seen == "doesn’t stand out"
    assert plain(row.seam) == "4: 12.00 ± 0.04 away"
    assert off.why_not == "lies off the strip"
    assert off.place == ""


def test_the_page_states_polarity_and_judges_nothing() -> None:
    text = page(LIST)
    assert "dark in a film-like negative" in text
    assert "slag &lt;line&gt;" in text
    assert "see &amp; compare" in text
    assert "Not measured: lies off the strip." in text
    assert ">2<small>1 more not on the strip</small>" in text
    assert "<small>3 parts stand out</small><small>it may be &lt;narrower&gt;</small>" in text
    assert "1.510 ± 0.010" in plain(text)
    assert "Suggest" not in text
    for word in ("defect", "accept", "reject"):
        assert word not in text


def test_suggestions_stand_apart_under_their_name() -> None:
    one = Suggestion((10.0, 12.0, -1.0, 1.0), "less_radiation", 9.1, 4.2)
    text = page(replace(LIST, suggestions=(one,)))
    head, _, rest = text.partition("Suggestions where to look")
    assert "They are no indications" in rest
    assert "10.0 to 12.0" in plain(rest)
    assert ">?1<" in rest
    assert "10.0 to 12.0" not in plain(head)
    assert re.search(r"look</h3>.*<p>None\.</p>", page(replace(LIST, suggestions=())), re.DOTALL)


def test_without_a_list_the_part_is_empty() -> None:
    assert page(None).strip() == ""
    empty = page(IndicationList(300.0, 528.7, (), ()))
    assert "No indication was noted." in empty


def test_a_terminal_shows_the_same() -> None:
    one = Suggestion((10.0, 12.0, -1.0, 1.0), "less_radiation", 9.1, 4.2)
    text = indications_text(replace(LIST, suggestions=(one,)))
    lines = text.splitlines()
    assert lines[0] == "indication  1: slag <line> (see & compare)"
    assert "  polarity    more radiation came through" in lines
    assert "  off centre  −1.20 ± 0.05" in lines
    assert "              not measured: lies off the strip" in lines
    assert any(line.startswith("together    all: 2 of 8.00 ± 0.07 mm, 1.51") for line in lines)
    assert any("10.0 to 12.0 mm" in line and "it is no indication" in line for line in lines)
    assert "film-like negative" in lines[-1]
    assert "no indication was noted" in indications_text(IndicationList(300.0, 528.7, (), ()))
