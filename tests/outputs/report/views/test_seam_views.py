"""Seams as small pictures: the right place, whole at the datum, not too many."""

from __future__ import annotations

from dataclasses import replace

import pytest

from pipeline.outputs.report.views.pictures import display_window, shown_strip
from pipeline.outputs.report.views.seam_views import (
    MOST_PICTURES,
    SEAM_MM,
    seam_pictures,
    seam_rows,
)
from tests.outputs.weld import CIRCUMFERENCE_MM, PITCH_MM, make_arrays, make_log


def pictures(log):
    strip, _, origin = make_arrays()
    shown = shown_strip(strip, origin, display_window(strip, origin))
    return seam_pictures(log, shown, seam_rows(log))


def test_each_picture_lies_round_its_seam() -> None:
    log = make_log()
    found = pictures(log)
    assert [one.row.seam for one in found] == list(log.seams)
    for one in found:
        picture = one.picture
        place = picture.from_mm + one.percent / 100 * (picture.to_mm - picture.from_mm)
        assert place == pytest.approx(one.row.seam.s_mm, abs=0.005)
        assert picture.to_mm - picture.from_mm == pytest.approx(2 * SEAM_MM, abs=1.01 * PITCH_MM)
        assert picture.height_px == 20  # the middle half of 40 rows
    # The first seam lies a sixteenth of the turn from the datum.
    assert found[0].where == "33 mm, 12:45"


def test_a_seam_at_the_datum_is_shown_where_the_ring_repeats() -> None:
    log = make_log()
    log = replace(log, seams=(replace(log.seams[0], s_mm=1.0),))
    (one,) = pictures(log)
    assert one.picture.from_mm == pytest.approx(CIRCUMFERENCE_MM + 1 - SEAM_MM, abs=PITCH_MM)
    assert one.percent == pytest.approx(50, abs=3)


def test_of_many_seams_those_that_disagree_most_are_shown_in_order() -> None:
    log = make_log()
    many = [replace(log.seams[k % 8], doubling=1.0, level_step=0.0) for k in range(100)]
    for k in range(20, 100):
        many[k] = replace(many[k], disagreement=2.0 + k / 100)
    many[3] = replace(many[3], level_step=0.01)  # beyond its limit
    found = pictures(replace(log, seams=tuple(many)))
    assert len(found) == MOST_PICTURES
    assert [one.row.seam for one in found] == [many[3], *many[21:]]
    assert found[0].row.over
