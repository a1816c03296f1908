"""The page of one calibration: everything there, nothing from elsewhere, wrong things in view."""

from __future__ import annotations

import dataclasses
import re

import numpy as np
import pytest

from pipeline.calibration.compare import compare
from pipeline.calibration.decisions import Entry, Status, StatusRecord
from pipeline.calibration.grouping import group_bad_pixels
from pipeline.calibration.product import CalibrationSet, DarkConditions, content_identity
from pipeline.model import PixelClass
from pipeline.outputs.calibration.maps import panel_maps
from pipeline.outputs.calibration.page import render_calibration_page
from pipeline.outputs.calibration.trend_plot import draw_trend
from pipeline.outputs.calibration.words import (
    FIGURE_TITLES,
    GROUP_TITLES,
    change_text,
    first_text,
    now_text,
)
from pipeline.quality.acceptance_limits import AcceptanceLimits
from pipeline.quality.ageing import judge_acceptance
from tests.calibration.ageing_panel import aged
from tests.outputs.report.test_page import Page

LIMITS = AcceptanceLimits()


def entry(calibration: CalibrationSet, *statuses: Status) -> Entry:
    records = tuple(
        StatusRecord(calibration.identity, status, "2026-08-01T08:00:00+00:00", "C & <b>", "leak")
        for status in statuses
    )
    return Entry("P", calibration.identity, calibration.facts, records)


def page_of(age: float, *history: Entry, alone: bool = False) -> str:
    first, this = aged(0), aged(age)
    since = None if alone else compare(first, this)
    acceptance = judge_acceptance(this.facts, LIMITS, None if alone else first.facts, since)
    return render_calibration_page(
        this,
        acceptance,
        LIMITS,
        first=None if alone else first,
        since_first=since,
        history=history,
    )


@pytest.fixture(scope="module")
def html() -> str:
    return page_of(
        3, entry(aged(0), Status.RELEASED), entry(aged(3), Status.RELEASED, Status.WITHDRAWN)
    )


def test_the_page_holds_all_it_shows(html: str) -> None:
    page = Page(html)
    assert "://" not in html
    assert "@import" not in html
    for tag, attributes in page.tags:
        assert tag not in ("script", "link", "iframe", "object", "embed", "base", "form")
        for name in ("src", "href", "xlink:href"):
            assert (attributes.get(name) or "#").startswith(("#", "data:image/"))


def test_ids_stand_there_once(html: str) -> None:
    ids = re.findall(r'\bid="([^"]+)"', html)
    assert len(set(ids)) == len(ids)


def test_what_is_wrong_stands_first(html: str) -> None:
    text = Page(html).text
    assert "Fail" in text
    places = [
        text.index(words)
        for words in (
            "This calibration is withdrawn",
            "Part of the pixels that turned bad",
            "Trend",
            "The panel",
            "Since the first calibration",
            "Figures",
        )
    ]
    assert places == sorted(places)
    assert "withdrawn on 2026-08-01 by C & <b>: leak" in text  # as text, not as markup
    assert "<b>:" not in html


def test_every_figure_stands_there_with_its_title(html: str) -> None:
    text = Page(html).text
    assert "±25\u00a0%" in text and "5.00\u00a0%" in text  # in narrow columns too
    text = text.replace("\u00a0", " ")
    acceptance = judge_acceptance(aged(3).facts, LIMITS, aged(0).facts, compare(aged(0), aged(3)))
    for figure in acceptance.figures:
        assert figure.check.id in text
        assert FIGURE_TITLES[figure.check.id] in text
    assert "+150.0 % since the first calibration (2.00 %, now 5.00 %); limit +50 %" in text


def test_new_lines_are_counted_and_not_compared_with_a_first() -> None:
    row = re.search(r"<tr[^>]*>(?:(?!</tr>).)*pixels\.new_lines.*?</tr>", page_of(3), re.DOTALL)
    assert row is not None
    cells = re.findall(r'<td class="n">(.*?)</td>', row[0])
    assert cells == ["–", "1", "–", "0"]
    # As many as before are no new ones.
    worn = dataclasses.replace(aged(3).facts, bad_groups=aged(0).facts.bad_groups)
    same = judge_acceptance(worn, LIMITS, aged(0).facts, compare(aged(0), aged(3)))
    (figure,) = [one for one in same.figures if one.check.id == "pixels.new_lines"]
    assert (first_text(figure), now_text(figure), change_text(figure)) == ("–", "0", "–")


def test_groups_of_bad_pixels_have_plain_names(html: str) -> None:
    text = Page(html).text
    for title in GROUP_TITLES.values():
        assert title in text
    assert set(GROUP_TITLES) == set(group_bad_pixels(aged(0).classes).counts())
    for name in ("kernel pixels", "largest cluster pixels", "relevant cluster"):
        assert name not in text


def test_clusters_and_lines_are_ringed_and_named(html: str) -> None:
    assert 'class="ring"' in html
    labels = re.findall(r"<text [^>]*>((?:rc|l)\d+x\d+(?:-\d+)?)</text>", html)
    assert any(label.startswith("rc") for label in labels)
    assert any(label.startswith("l") for label in labels)


def test_labels_are_not_written_over_each_other() -> None:
    one = aged(0, rows=384, columns=512)
    classes = np.zeros_like(one.classes)
    for row, column in ((50, 60), (54, 75), (52, 300), (200, 60), (300, 495), (304, 480)):
        classes[row : row + 3, column : column + 3] = PixelClass.DEAD
    full = dataclasses.replace(one, classes=classes)
    rings = panel_maps(full)[0].rings
    assert len(rings) == 6
    named = [ring for ring in rings if ring.label]
    # Of two near each other only the first is named, to the right or left of its frame.
    assert len(named) == 4
    boxes = []
    for ring in named:
        width = 8.5 * len(ring.label)  # semi-bold letters of 13 px
        left = ring.text_x - width if ring.text_x < ring.x else ring.text_x
        boxes.append((left, left + width, ring.text_y))
    for k, (left, right, y) in enumerate(boxes):
        for start, end, other in boxes[:k]:
            assert right <= start or end <= left or abs(y - other) >= 13


def test_the_page_says_what_it_holds_for_as_look_up_judges_it() -> None:
    plain = Page(page_of(0, alone=True)).text
    assert "Valid for temperature10 to 30 °C" in plain  # as stated
    assert "Valid for frame time2 s" in plain
    first = aged(0)
    darks = (DarkConditions(38.0, 2.0), DarkConditions(22.0, 4.0))
    facts = dataclasses.replace(
        first.facts,
        temperature_min_c=None,
        temperature_max_c=None,
        dark_conditions=DarkConditions(22.0, 2.0),
        dark_states=darks,
    )
    this = dataclasses.replace(first, facts=facts)
    text = Page(render_calibration_page(this, judge_acceptance(facts, LIMITS), LIMITS)).text
    assert "Valid for temperature22 to 38 °C" in text
    assert "Valid for frame time2 to 4 s" in text


def test_names_and_labels_are_explained(html: str) -> None:
    text = Page(html).text
    assert "rc8x5-12 is a cluster 8 rows high and 5 columns wide" in text
    assert "bad neighbourhood is a good one with only bad ones about it" in text
    assert "these figures differ from those of the gain alone" in text
    for name in ("tube voltage", "temperature", "frame time"):
        assert f"Valid for {name}" in text


def test_no_two_figures_have_one_title() -> None:
    acceptance = judge_acceptance(aged(3).facts, LIMITS, aged(0).facts, compare(aged(0), aged(3)))
    titles = [FIGURE_TITLES[figure.check.id] for figure in acceptance.figures]
    assert len(set(titles)) == len(titles)


def test_the_first_calibration_has_a_page_too() -> None:
    text = Page(page_of(0, alone=True)).text
    assert "nothing: the panel’s first calibration" in text
    assert "Since the first calibration" not in text
    assert "Trend" not in text
    assert "ageing was not judged" in text


def test_a_calibration_that_says_little_has_a_page_too() -> None:
    this = aged(0)
    bare = dataclasses.replace(
        this.facts,
        acceptance={},
        linearity=None,
        lag_fractions=(),
        bad_groups={},
        exposures=(),
        **dict.fromkeys(
            ("kv_min", "kv_max", "temperature_min_c", "temperature_max_c", "valid_from")
        ),
        valid_until=None,
        frame_time_s=None,
    )
    arrays = this.dark, this.gain, this.classes
    one = CalibrationSet(bare, *arrays, content_identity(bare, *arrays))
    text = Page(render_calibration_page(one, judge_acceptance(bare, LIMITS), LIMITS)).text
    assert "Not measured" in text
    assert "The calibration doesn’t say." in text


def test_a_sound_panel_of_equal_pixels_has_a_page_too() -> None:
    this = aged(0)
    arrays = (
        np.full_like(this.dark, 300),
        np.ones_like(this.gain),
        np.zeros_like(this.classes),
    )
    one = CalibrationSet(this.facts, *arrays, content_identity(this.facts, *arrays))
    since = compare(one, one)
    acceptance = judge_acceptance(one.facts, LIMITS, one.facts, since)
    html = render_calibration_page(
        one, acceptance, LIMITS, first=one, since_first=since, history=()
    )
    assert not re.search(r"\b(nan|inf)\b", html, re.IGNORECASE)


def test_the_same_calibration_gives_the_same_page() -> None:
    assert page_of(1) == page_of(1)


def test_the_trend_needs_two_calibrations_with_a_date() -> None:
    one, other = entry(aged(0), Status.RELEASED), entry(aged(1), Status.WITHDRAWN)
    assert draw_trend([one], one.identity, one.identity, LIMITS) is None
    undated = dataclasses.replace(
        other, records=(), facts=dataclasses.replace(other.facts, valid_from=None)
    )
    assert draw_trend([one, undated], one.identity, one.identity, LIMITS) is None
    trend = draw_trend([one, other], other.identity, one.identity, LIMITS)
    assert trend is not None
    assert trend.found == ("2 calibrations from 2026-01-05 to 2026-04-05, 1 of them withdrawn.")
    assert all(day in trend.svg for day in ("2026-01-05", "2026-04-05"))
    for title in ("dark level / GV", "SR_b / mm", "lag, first frame / %"):
        assert title in trend.svg


def test_every_class_of_bad_pixel_has_its_own_colour() -> None:
    from pipeline.outputs.calibration.panel_pictures import CLASS_COLOURS  # noqa: PLC0415

    assert set(CLASS_COLOURS) == set(PixelClass)
    assert len(set(CLASS_COLOURS.values())) == len(CLASS_COLOURS)
