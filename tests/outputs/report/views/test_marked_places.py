"""Boxes lie in a picture where the marks lie on the strip, at every turn that it shows."""

from __future__ import annotations

from dataclasses import replace

import pytest

from pipeline.outputs.report.views.indication_views import (
    LONGEST_MM,
    indication_views,
    suggestion_views,
)
from pipeline.outputs.report.views.marked_places import (
    BESIDE_MM,
    MarkedPlace,
    boxes_in,
    indicated_places,
    suggested_places,
)
from pipeline.quality.log import QualityLog
from pipeline.quality.noted.indication import Figure, Suggestion
from tests.outputs.report.told.test_indications import FOUND, LIST, OFF
from tests.outputs.weld import CIRCUMFERENCE_MM, make_arrays, make_log

SUGGESTED = Suggestion((10.0, 12.0, -1.0, 1.0), "less_radiation", 9.1, 4.2)


def noted(*indications, suggestions=None) -> QualityLog:
    found = replace(LIST, indications=indications, suggestions=suggestions)
    return replace(make_log(), indications=found)


def marked_at(first_mm: float, last_mm: float):
    return replace(FOUND, s_first_mm=Figure(first_mm, 0.03), s_last_mm=Figure(last_mm, 0.03))


def test_places_are_the_indications_that_lie_on_the_strip() -> None:
    assert indicated_places(noted(FOUND, OFF)) == (MarkedPlace("1", False, 99.5, 103.5, 0.5, 2.5),)
    assert suggested_places(noted(suggestions=(SUGGESTED,) * 2))[1] == MarkedPlace(
        "?2", True, 10.0, 12.0, -1.0, 1.0
    )
    assert indicated_places(make_log()) == suggested_places(make_log()) == ()


def test_a_box_lies_half_a_millimetre_outside_its_mark() -> None:
    log = noted(FOUND)
    (box,) = boxes_in(log, indicated_places(log), across_mm=(90.0, 190.0), along_mm=(-10.0, 10.0))
    # 100 mm across: a per cent a millimetre; 20 mm along the pipe: five.
    assert (box.left, box.width) == (9.5 - BESIDE_MM, 4.0 + 2 * BESIDE_MM)
    assert (box.top, box.height) == (5 * (10.5 - BESIDE_MM), 5 * (2.0 + 2 * BESIDE_MM))
    assert not box.below
    assert boxes_in(log, indicated_places(log), across_mm=(105.0, 200.0),
                    along_mm=(-10.0, 10.0)) == ()  # fmt: skip


def test_a_mark_across_the_datum_is_whole_and_shown_at_both_ends() -> None:
    log = noted(marked_at(CIRCUMFERENCE_MM - 3.0, 2.0))
    places = indicated_places(log)
    start, end = -0.25, CIRCUMFERENCE_MM + 25.0
    boxes = boxes_in(log, places, across_mm=(start, end), along_mm=(-10.0, 10.0))
    first = [start + box.left / 100 * (end - start) + BESIDE_MM for box in boxes]
    # Percentages keep three decimals, 0.003 mm of 550 mm.
    assert first == pytest.approx([-3.0, CIRCUMFERENCE_MM - 3.0], abs=0.01)
    assert [box.width * (end - start) / 100 for box in boxes] == pytest.approx([6.0] * 2, abs=0.01)


def test_each_close_up_shows_its_own_box() -> None:
    strip, _, origin = make_arrays()
    log = noted(FOUND, OFF, suggestions=(SUGGESTED,))
    (view,) = indication_views(log, strip, origin)
    assert view.title == "1: slag <line>"
    assert view.where == "around 102\u00a0mm, 2:18"  # 101.5 of 528.7 mm are 2.304 hours
    (box,) = view.boxes
    left, right = view.picture.across_mm
    middle = left + (box.left + 0.5 * box.width) / 100 * (right - left)
    assert middle == pytest.approx(101.5, abs=0.001)
    assert [one.title for one in suggestion_views(log, strip, origin)] == ["?1"]


def test_of_a_long_mark_the_close_up_shows_the_middle() -> None:
    strip, _, origin = make_arrays()
    (view,) = indication_views(noted(marked_at(100.0, 250.0)), strip, origin)
    left, right = view.picture.across_mm
    assert 0.5 * (left + right) == pytest.approx(175.0, abs=0.5)  # a pixel
    assert right - left < LONGEST_MM + 10.0
    assert "its middle" in view.where
