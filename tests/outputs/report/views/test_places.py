from dataclasses import replace

import pytest

from pipeline.outputs.report.views.places import (
    all_places,
    first_place,
    frame_place,
    shown_gaps,
    strip_ends_mm,
)
from pipeline.quality.log import Gap
from tests.outputs.weld import CIRCUMFERENCE_MM, COLUMNS, PITCH_MM, make_log

LOG = make_log()
ARC = replace(LOG, strip=replace(LOG.strip, ring=False, s_first_mm=-20.0))
END_MM = (COLUMNS - 0.5) * PITCH_MM


def test_strip_ends_at_the_outer_edges_of_its_pixels():
    # Sums in double precision: 1e-12 of them.
    assert strip_ends_mm(LOG) == pytest.approx((-0.25, END_MM), rel=1e-12)
    assert strip_ends_mm(ARC) == pytest.approx((-20.25, END_MM - 20), rel=1e-12)


@pytest.mark.parametrize(
    ("s_mm", "place_mm"),
    [(5.0, 5.0), (-5.0, CIRCUMFERENCE_MM - 5), (CIRCUMFERENCE_MM + 5, 5.0)],
)
def test_a_ring_brings_every_place_to_its_first_turn(s_mm, place_mm):
    assert first_place(LOG, s_mm) == pytest.approx(place_mm, rel=1e-12)
    assert first_place(ARC, s_mm) == s_mm


@pytest.mark.parametrize(
    ("position_mm", "place_mm"),
    [
        (-1e-17, -1e-17),  # the datum, as the solution gives it
        (-4.0, -4.0),
        (-5.0, CIRCUMFERENCE_MM - 5),  # farther before the strip than the slack
        (CIRCUMFERENCE_MM + 5, CIRCUMFERENCE_MM + 5),  # the strip repeats its start there
        (CIRCUMFERENCE_MM + 30, 30.0),  # past its end
    ],
)
def test_a_frame_at_the_datum_is_not_thrown_to_the_other_end(position_mm, place_mm):
    assert frame_place(LOG, position_mm, 4.0) == pytest.approx(place_mm, rel=1e-12)


def test_what_lies_past_the_datum_is_shown_again_at_the_end_of_a_ring():
    assert all_places(LOG, 5.0) == pytest.approx([5.0, 5.0 + CIRCUMFERENCE_MM])
    assert all_places(LOG, 100.0) == [100.0]
    assert all_places(ARC, -5.0) == [-5.0]
    assert all_places(ARC, -30.0) == []


def test_a_gap_over_the_datum_is_shown_at_both_ends():
    log = replace(LOG, gaps=(Gap(CIRCUMFERENCE_MM - 3, CIRCUMFERENCE_MM + 4),))
    shown = [(gap.from_mm, gap.to_mm) for gap in shown_gaps(log)]
    assert shown[0] == pytest.approx((-0.25, 4.0))
    assert shown[1] == pytest.approx((CIRCUMFERENCE_MM - 3, CIRCUMFERENCE_MM + 4))
    assert len(shown) == 2


def test_a_gap_is_cut_where_the_strip_ends():
    log = replace(ARC, gaps=(Gap(-50.0, -10.0), Gap(-60.0, -40.0)))
    assert [(gap.from_mm, gap.to_mm) for gap in shown_gaps(log)] == [(-20.25, -10.0)]
