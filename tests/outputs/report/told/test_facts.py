from dataclasses import replace

import pytest

from pipeline.outputs.report.told.facts import (
    bad_pixel_rows,
    calibration_facts,
    geometry_facts,
    software_parts,
    weld_facts,
)
from pipeline.quality.log import ExposureFacts
from tests.outputs.weld import make_log

LOG = make_log()
NOTHING = ExposureFacts(None, None, None, None, None, None, None, None)


def test_the_record_says_when_and_how_it_was_exposed():
    facts = dict(weld_facts(LOG))
    assert facts["Exposed"] == "2026-03-02 06:30:12 to 06:33:06 UTC"
    assert facts["Exposure"] == "158 to 160 kV, 3 mA, 2 s a frame"
    assert facts["Frames"] == "8 used of 9"


def test_what_the_frame_table_does_not_tell_is_said_to_be_missing():
    facts = dict(weld_facts(replace(LOG, exposure=NOTHING)))
    assert facts["Exposed"] == facts["Exposure"] == "not told in the frame table"
    some = replace(NOTHING, ma_min=0.5, ma_max=0.5)
    assert dict(weld_facts(replace(LOG, exposure=some)))["Exposure"] == "0.5 mA"


def test_people_whom_nobody_named_take_no_room():
    labels = [label for label, _ in weld_facts(replace(LOG, weld=replace(LOG.weld, operator="")))]
    assert "Operator" not in labels
    assert "Evaluator" in labels


@pytest.mark.parametrize(("direction", "hour"), [("clockwise", 3), ("counterclockwise", 9)])
def test_the_source_is_placed_by_the_clock(direction, hour):
    log = replace(LOG, strip=replace(LOG.strip, direction=direction))
    assert dict(geometry_facts(log))["Source off the pipe’s axis"] == (
        f"+1.00 ± 0.10 mm towards the datum (12 o’clock), −2.00 ± 0.10 mm towards {hour} o’clock"
    )


def test_a_source_that_is_carried_along_is_never_off_the_axis():
    log = replace(LOG, geometry=replace(LOG.geometry, arrangement="two_wall"))
    assert not [label for label, _ in geometry_facts(log) if label.startswith("Source")]


def test_a_stand_off_stands_beside_what_was_told_and_how_it_varies():
    # The invented lift-off is one sine round the ring, 1 mm high.
    assert dict(geometry_facts(LOG))["Stand-off"] == (
        "10.20 ± 0.03 mm (10.00 mm told), outer surface to panel; round the ring between −1.00 and "
        "+1.00 mm of that"
    )
    held = replace(LOG, geometry=replace(LOG.geometry, refined=(), lift_off_mm=()))
    assert dict(geometry_facts(held))["Stand-off"] == "10.20 mm, outer surface to panel"


def test_what_was_solved_is_named_in_words_once():
    facts = dict(geometry_facts(LOG))
    assert facts["Solved from the frames"] == (
        "the source’s place, the stand-off, its variation round the ring, wind"
    )
    assert facts["Hardly told by the frames"] == "wind"
    assert facts["Encoder’s scale"] == "1 mm counted is 1.00120 mm travelled"
    held = replace(LOG, geometry=replace(LOG.geometry, refined=()))
    assert dict(geometry_facts(held))["Solved from the frames"].startswith("nothing")


@pytest.mark.parametrize(
    ("scale", "offset", "text"),
    [
        (1.0, 0.0, "proportional to dose; relative, no absolute unit"),
        (2.5, -3.0, "linear in dose: relative dose = gray value × 2.5 − 3, no absolute unit"),
        (1.0, 3.0, "linear in dose: relative dose = gray value × 1 + 3, no absolute unit"),
    ],
)
def test_gray_values_never_claim_a_unit_of_dose(scale, offset, text):
    log = replace(LOG, strip=replace(LOG.strip, scale=scale, offset=offset))
    assert dict(geometry_facts(log))["Gray values"] == text


@pytest.mark.parametrize(
    ("start", "end", "text"),
    [
        (None, None, "no dates told"),
        ("2026-01-01", None, "from 2026-01-01"),
        (None, "2026-07-01", "until 2026-07-01"),
        ("2026-01-01", "2026-07-01", "from 2026-01-01 until 2026-07-01"),
    ],
)
def test_validity_is_told_as_far_as_it_is_known(start, end, text):
    used = replace(LOG.calibration, valid_from=start, valid_until=end)
    assert dict(calibration_facts(replace(LOG, calibration=used)))["Valid"] == text


def test_bad_pixels_come_in_the_order_of_their_classes_without_the_total():
    counts = {"total": 9, "zebra": 1, "noisy": 2, "dead": 3}
    used = replace(LOG.calibration, bad_pixels=counts)
    rows = bad_pixel_rows(replace(LOG, calibration=used))
    assert [(name, count) for name, _, count in rows] == [("dead", 3), ("noisy", 2), ("zebra", 1)]
    assert all(meaning for _, meaning, _ in rows[:2])


def test_the_program_stands_before_its_libraries_with_its_version():
    assert software_parts(LOG) == ["girthstrip 0.1.0", "numpy 2.4"]
    assert software_parts(replace(LOG, software={"numpy": "2.4"})) == ["numpy 2.4"]
