import math
from dataclasses import replace

import pytest

from pipeline.outputs.report.views.pictures import Picture
from pipeline.outputs.report.views.ruler import sections
from tests.outputs.weld import COLUMNS, GAP, PITCH_MM, make_log

END_MM = (COLUMNS - 0.5) * PITCH_MM


def picture(from_mm: float, to_mm: float) -> Picture:
    return Picture("data:,", 10, 10, from_mm, to_mm)


def place_mm(section, mark) -> float:
    """Where a mark stands; percentages keep three decimals, 0.003 mm of 300 mm."""
    edges = section.picture
    return edges.from_mm + mark.percent / 100 * (edges.to_mm - edges.from_mm)


def test_millimetre_marks_stand_at_what_they_say():
    first, second = sections(make_log(), [picture(-0.25, 209.75), picture(199.75, 409.75)])
    for section in (first, second):
        labelled = [mark for mark in section.millimetres if mark.label]
        assert len(labelled) > 10
        for mark in labelled:
            assert place_mm(section, mark) == pytest.approx(float(mark.label), abs=0.003)
    assert first.millimetres[0].label == "0"
    assert second.millimetres[0].label == "200"


def test_no_mark_stands_past_the_end_of_the_strip():
    (section,) = sections(make_log(), [picture(199.75, 409.75)])
    marks = (*section.millimetres, *section.clock, *section.seams)
    assert max(place_mm(section, mark) for mark in marks) < END_MM


def test_clock_marks_go_round_once_and_start_anew():
    (section,) = sections(make_log(), [picture(-0.25, END_MM)])
    labels = [mark.label for mark in section.clock]
    # 168.3 mm: half an hour is 22.03 mm, more than the least distance; a quarter isn't.
    assert labels[:4] == ["12:00", "12:30", "1:00", "1:30"]
    assert labels[-2:] == ["12:00", "12:30"]
    assert len(labels) == 26
    (back,) = sections(
        replace(make_log(), strip=replace(make_log().strip, direction="counterclockwise")),
        [picture(-0.25, END_MM)],
    )
    assert [mark.label for mark in back.clock[:3]] == ["12:00", "11:30", "11:00"]


@pytest.mark.parametrize("diameter_mm", [114.3, 120.0])
def test_small_pipes_of_like_size_have_like_clock_marks(diameter_mm):
    strip = replace(make_log().strip, circumference_mm=math.pi * diameter_mm)
    (section,) = sections(replace(make_log(), strip=strip), [picture(-0.25, 209.75)])
    assert [mark.label for mark in section.clock[:3]] == ["12:00", "1:00", "2:00"]


def test_axial_marks_stand_at_their_row():
    (section,) = sections(make_log(), [picture(-0.25, 209.75)])
    # Rows from −9.75 mm in steps of 0.5 mm: from −10 to 10 mm.
    assert {mark.label: mark.percent for mark in section.axial} == {
        "−10": 0.0, "−5": 25.0, "0": 50.0, "+5": 75.0, "+10": 100.0,
    }  # fmt: skip
    assert [mark.label for mark in section.axial if mark.strong] == ["0"]


def test_seams_and_gaps_stand_in_the_section_that_shows_them():
    log = make_log()
    first, second = sections(log, [picture(-0.25, 209.75), picture(199.75, 409.75)])
    assert [mark.label for mark in first.seams] == ["2|3", "3|4", "4|5"]
    assert first.gaps == ()
    assert second.gaps == (f"not covered from {GAP.from_mm} to {GAP.to_mm} mm",)


def test_pictures_share_one_scale_and_short_strips_are_not_blown_up():
    first, last = sections(make_log(), [picture(0, 200), picture(200, 250)])
    assert (first.width_percent, last.width_percent) == (100.0, 25.0)
    (only,) = sections(make_log(), [picture(0, 60)])
    assert only.width_percent == 60.0


def test_seams_that_lie_close_keep_their_tick_without_a_label():
    log = make_log()
    close = tuple(replace(log.seams[0], s_mm=20.0 + 5 * k) for k in range(5))
    (section,) = sections(replace(log, seams=close), [picture(-0.25, 209.75)])
    assert [mark.label for mark in section.seams] == ["2|3", "", "2|3", "", "2|3"]


def test_seams_of_a_small_pipe_all_have_their_label():
    log = make_log()
    seams = tuple(replace(log.seams[0], s_mm=5.0 + 11.9 * k) for k in range(10))
    (section,) = sections(replace(log, seams=seams), [picture(-0.25, 209.75)])
    assert [mark.label for mark in section.seams] == ["2|3"] * 10
