"""Indications of known place, size and contrast, measured in strips with noise."""

from __future__ import annotations

import json
import math
from dataclasses import asdict, replace

import numpy as np
import pytest

from pipeline.model import Origin
from pipeline.quality.noted.indication import Indication
from pipeline.quality.noted.indications import measure_indications
from tests.quality.noted.marked import PIXEL_MM, box, measured, one
from tests.quality.seen_strips import PITCH_MM, Weld, grid_of


def test_as_marked_it_has_places_length_clock_and_offset() -> None:
    weld = Weld(grid_of(360.0))
    found = one(weld, box(88.0, 92.0, 1.0, 3.0), ruler_sigma_mm=0.05, seams_mm=(50.0, 250.0))
    assert (found.s_first_mm.value, found.s_last_mm.value) == (88.0, 92.0)
    assert found.s_first_mm.sigma == pytest.approx(math.hypot(0.05, PITCH_MM / math.sqrt(12)))
    assert found.length_mm.value == pytest.approx(4.0)
    assert found.height_mm.value == pytest.approx(2.0)
    assert found.clock_first_h == pytest.approx(12 * 88 / 360)
    assert found.clock_last_h == pytest.approx(12 * 92 / 360)
    assert found.axial_offset_mm.value == pytest.approx(2.0 - weld.centre_mm)
    assert found.axial_offset_mm.sigma == pytest.approx(math.hypot(0.02, PITCH_MM / math.sqrt(24)))
    assert found.seam == 1
    assert found.seam_distance_mm.value == pytest.approx(38.0)
    assert found.measured_share == 1.0


def test_plain_metal_shows_nothing() -> None:
    """The limit is meant to be passed by few boxes; with 3 % of them, 6 or more of 40 turn up once
    in 700 times."""
    weld = Weld(grid_of())
    marks = [box(7 * k + 1.0, 7 * k + 5.0, -1.0, 1.5, id=str(k)) for k in range(40)]
    found = measured(weld, *marks).indications
    assert sum(mark.seen is not None for mark in found) < 6
    told = [mark for mark in found if mark.seen is None]
    assert np.mean([mark.polarity == "undecided" for mark in told]) > 0.9
    pulls = np.array([mark.contrast.value / mark.contrast.sigma for mark in told])
    # Some 38 pulls, each with a sigma from 24 places, known to 17 % (1.17 / sqrt(2 · 24)): their
    # root mean square is 1 within 15 %.
    assert 0.55 < np.sqrt(np.mean(pulls**2)) < 1.45


def test_the_sign_of_a_faint_wide_one_is_told_though_nothing_stands_out() -> None:
    weld = Weld(grid_of(), wave=0.0)
    weld.box((100.0, 103.0), (-1.0, 2.0), 0.0015)  # a third of a pixel's noise
    found = measured(weld, box(100.0, 103.0, -1.0, 2.0), seed=2).indications[0]
    assert found.seen is None
    assert found.polarity == "more_radiation"
    assert found.contrast.value == pytest.approx(0.0015, abs=4 * found.contrast.sigma)


def test_it_may_lie_across_the_datum() -> None:
    weld = Weld(grid_of(overrun=500))
    weld.box((298.0, 303.0), (1.0, 2.0), 0.08)
    found = one(weld, box(297.0, 4.0, 0.4, 2.6))
    assert (found.s_first_mm.value, found.s_last_mm.value) == (297.0, 4.0)
    assert found.length_mm.value == pytest.approx(7.0)
    assert found.clock_first_h == pytest.approx(12 * 297 / 300)
    assert found.clock_last_h == pytest.approx(12 * 4 / 300)
    assert found.seen.s_first_mm == pytest.approx(298.0, abs=PIXEL_MM)
    assert found.seen.s_last_mm == pytest.approx(3.0, abs=PIXEL_MM)
    assert found.seen.length_s_mm.value == pytest.approx(5.0, abs=PIXEL_MM)
    again = one(weld, box(297.0, 304.0, 0.4, 2.6))  # as the overrun shows it
    assert again == replace(found, s_last_mm=again.s_last_mm)
    assert again.s_last_mm.value == pytest.approx(4.0)


def test_a_line_of_points_goes_the_short_way_round() -> None:
    weld = Weld(grid_of())
    line = Indication("1", "crack", line_mm=((298.0, 0.0), (299.0, 0.5), (2.0, 0.5)))
    found = one(weld, line)
    assert found.length_mm.value == pytest.approx(4.0)
    assert found.run_mm.value == pytest.approx(math.hypot(1.0, 0.5) + 3.0)
    assert (found.z_first_mm.value, found.z_last_mm.value) == (0.0, 0.5)


@pytest.mark.parametrize(
    ("mark", "ring", "reason"),
    [
        (box(10.0, 20.0, 30.0, 40.0), True, "off the strip"),
        (box(310.0, 320.0, 0.0, 1.0), False, "off the strip"),
        (box(20.0, 10.0, 0.0, 1.0), False, "no ring"),
        (box(0.0, 301.0, 0.0, 1.0), True, "once round"),
    ],
)
def test_what_lies_nowhere_says_why(mark: Indication, ring: bool, reason: str) -> None:
    found = measured(Weld(grid_of(ring=ring)), mark, box(5.0, 9.0, 0.0, 1.0))
    assert reason in found.indications[0].why_not
    assert found.indications[0].length_mm is None
    assert found.lengths[0].count == 1
    assert found.lengths[0].not_on_strip == 1
    assert any("1 of 2 indications, 1 not on the strip" in one for one in found.remarks())


def test_what_lies_off_the_strip_tells_its_place() -> None:
    found = one(Weld(grid_of()), box(10.0, 20.0, 30.0, 40.0))
    assert found.why_not == "lies off the strip: 10.0 to 20.0 mm, +30.0 to +40.0 mm along the pipe"


def test_marks_that_overlap_count_once_and_an_arcs_only_on_the_strip() -> None:
    marks = [box(10.0, 30.0, 0.0, 1.0, id="1"), box(20.0, 40.0, 0.0, 1.0, id="2")]
    (total, *_) = measured(Weld(grid_of()), *marks).lengths
    assert (total.count, total.total_mm.value) == (2, pytest.approx(30.0))
    weld = Weld(grid_of(ring=False))
    (total, *_) = measured(weld, box(-20.0, 310.0, 0.0, 1.0), marks[0]).lengths
    assert total.share.value == pytest.approx(1.0)


def test_what_no_frame_covered_has_no_contrast() -> None:
    weld = Weld(grid_of())
    picture = weld.picture()
    columns = slice(950, 1100)
    picture.values[:, columns] = 0
    picture.origin[:, columns] = Origin.NOT_COVERED
    found = measure_indications(
        picture, [box(98.0, 102.0, 0.0, 2.0)], weld.places(), window_mm=300.0
    ).indications[0]
    assert found.measured_share == 0.0
    assert found.contrast is None
    assert found.axial_offset_mm is None  # no centre line was given
    assert found.length_mm.value == pytest.approx(4.0)


def test_a_picture_without_noise_or_structure_shows_nothing() -> None:
    weld = Weld(grid_of())
    picture = weld.picture()
    picture.values[:] = 20_000
    found = measure_indications(
        picture, [box(98.0, 102.0, 0.0, 2.0)], weld.places(), window_mm=300.0
    ).indications[0]
    assert found.seen is None
    assert found.polarity == "undecided"
    assert found.contrast.value == pytest.approx(0, abs=1e-6)


def test_a_picture_without_maps_gives_contrast_but_no_cnr() -> None:
    weld = Weld(grid_of())
    weld.disc(120.0, 2.0, 1.6, 0.1)
    picture = replace(weld.picture(), sigma=None, origin=None)
    found = measure_indications(
        picture, [box(118.6, 121.4, 0.6, 3.4)], weld.places(), window_mm=300.0
    ).indications[0]
    assert found.contrast.value > 0.08
    assert found.cnr is None
    assert found.measured_share is None


def test_gauges_elsewhere_along_the_weld_do_no_harm() -> None:
    weld = Weld(grid_of())
    weld.disc(120.0, 2.0, 1.6, 0.05)
    mark = box(118.6, 121.4, 0.6, 3.4)
    before = one(weld, mark)
    for s in (130.0, 136.0, 142.0, 148.0):
        weld.box((s, s + 0.4), (-9.0, 10.0), -0.2)
    after = one(weld, mark)
    assert after.seen is not None
    assert after.contrast.value == pytest.approx(before.contrast.value, abs=0.002)


def test_lengths_are_taken_together_by_kind() -> None:
    weld = Weld(grid_of(1000.0))
    marks = (
        box(990.0, 10.0, 0.0, 1.0, id="1", kind="slag"),
        box(100.0, 130.0, 0.0, 1.0, id="2", kind="slag"),
        box(500.0, 540.0, 0.0, 1.0, id="3", kind="crack"),
    )
    found = measured(weld, *marks)
    assert [(one.kind, one.count) for one in found.lengths] == [("", 3), ("slag", 2), ("crack", 1)]
    everything, slag, _ = found.lengths
    assert everything.total_mm.value == pytest.approx(90.0)
    assert everything.share.value == pytest.approx(0.09)
    assert everything.in_window_mm.value == pytest.approx(50.0)
    assert slag.in_window_mm.value == pytest.approx(50.0)
    assert slag.window_from_mm == pytest.approx(990.0)
    assert everything.total_mm.sigma == pytest.approx(math.sqrt(3) * PITCH_MM / math.sqrt(6))
    assert found.weld_length_mm == pytest.approx(1000.0)


def test_a_list_can_be_written_and_is_the_same_again() -> None:
    weld = Weld(grid_of())
    weld.disc(120.0, 2.0, 1.6, 0.1)
    found = measured(weld, box(118.6, 121.4, 0.6, 3.4))
    text = json.dumps(asdict(found), allow_nan=False)
    assert text == json.dumps(asdict(measured(weld, box(118.6, 121.4, 0.6, 3.4))))
    assert "film-like negative" in text
    assert "defect" not in text


def test_no_indications_are_a_list_all_the_same() -> None:
    found = measured(Weld(grid_of()))
    assert (found.indications, found.lengths, found.suggestions) == ((), (), None)


@pytest.mark.parametrize("told", [{}, {"box_mm": (0, 1, 0, 1), "line_mm": ((0, 0), (1, 1))}])
def test_an_indication_is_a_box_or_a_line(told: dict) -> None:
    with pytest.raises(ValueError, match="either a box or a line"):
        Indication("1", "pore", **told)
