"""The checks of tape and datum on strips with bars at known places."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from pipeline.model import Origin, Strip, Verdict
from pipeline.quality.marks.mark_plans import DatumPlan, TapePlan
from pipeline.quality.marks.tape import check_datum, check_tape
from tests.quality.lead_strips import grid_of, lay_bars, plain_strip

TURN_MM = 634.2  # a ring whose tape ends 4.2 mm before its beginning
PLAN = TapePlan(z_mm=(3.0, 5.0), long_z_mm=(6.5, 7.5))
DATUM = DatumPlan(z_mm=(3.0, 5.0), width_mm=0.5)
TIGHT_MM = 0.02  # places are right to 0.014 mm: see test_lead_marks


def taped(s: np.ndarray, *, turn_mm: float = TURN_MM, long: np.ndarray | None = None) -> Strip:
    """A ring's strip with ticks at ``s``; every tenth, or those at ``long``, reaches further."""
    strip = plain_strip(grid_of(turn_mm))
    lay_bars(strip, s, z_mm=(2.0, 6.0))
    lay_bars(strip, s[::10] if long is None else long, z_mm=(6.0, 8.0))
    return strip


def offs(found) -> np.ndarray:
    assert found.tape is not None
    return np.array([tick.deviation_mm for tick in found.tape.ticks])


def test_a_tape_where_it_should_be_passes() -> None:
    found = check_tape(taped(10.0 * np.arange(64)), PLAN, TURN_MM)
    assert found.check.id == "position.tape_mm"
    assert found.check.verdict is Verdict.PASS
    assert found.check.value == pytest.approx(0, abs=TIGHT_MM)
    assert [tick.number for tick in found.tape.ticks] == list(range(64))
    assert found.tape.expected == 64
    assert found.tape.closing_mm == pytest.approx(4.2, abs=TIGHT_MM)
    assert "4.2 mm from its last tick to its first" in found.check.note


def test_worst_common_and_slope_are_told() -> None:
    """0.4 mm for all and 2 mm per m more: at 630 mm that is 1.66 mm."""
    true = 10.0 * np.arange(63)
    found = check_tape(taped(true + 0.4 + 0.002 * true), PLAN, TURN_MM)
    assert found.check.value == pytest.approx(0.4 + 0.002 * 620, abs=TIGHT_MM)
    assert found.check.verdict is Verdict.ATTENTION
    assert found.tape.common_mm == pytest.approx(0.4 + 0.002 * 310, abs=TIGHT_MM)
    assert found.tape.stretch == pytest.approx(0.002, abs=1e-4)
    expected = np.sqrt(np.mean((0.4 + 0.002 * true) ** 2))
    assert found.tape.rms_mm == pytest.approx(expected, abs=TIGHT_MM)
    assert "slope +2.0" in found.check.note


def test_the_tolerance_is_the_configs() -> None:
    strip = taped(10.0 * np.arange(64) + 0.4)
    verdicts = [
        check_tape(strip, replace(PLAN, tolerance_mm=tolerance), TURN_MM).check.verdict
        for tolerance in (0.5, 0.2, 0.1)
    ]
    assert verdicts == [Verdict.PASS, Verdict.ATTENTION, Verdict.FAIL]


def test_a_step_in_the_strip_is_found_where_it_is() -> None:
    true = 10.0 * np.arange(64)
    found = check_tape(taped(true + np.where(true > 305, 2.5, 0.0)), PLAN, TURN_MM)
    assert found.check.verdict is Verdict.ATTENTION
    off = offs(found)
    assert off[1:31] == pytest.approx(0, abs=TIGHT_MM)
    assert off[31:63] == pytest.approx(2.5, abs=TIGHT_MM)


def test_long_ticks_find_a_datum_that_is_wrong_by_more_than_a_spacing() -> None:
    s = 10.0 * np.arange(60) + 23.0
    with_long = check_tape(taped(s), PLAN, TURN_MM)
    assert offs(with_long) == pytest.approx(23.0, abs=TIGHT_MM)
    # Without them it looks like 3 mm: they are why the config has a key for their band.
    without = check_tape(taped(s), replace(PLAN, long_z_mm=None), TURN_MM)
    assert without.check.value == pytest.approx(3.0, abs=TIGHT_MM)


def test_part_of_a_tape_is_judged_as_far_as_it_goes() -> None:
    s = 10.0 * np.arange(25)
    found = check_tape(taped(s), PLAN, TURN_MM)
    assert found.check.verdict is Verdict.PASS
    assert len(found.tape.ticks) == found.tape.expected == 25
    assert found.tape.closing_mm == pytest.approx(TURN_MM - 240, abs=TIGHT_MM)
    assert "no ticks for 394.2 mm between the tape's end and its beginning" in found.check.note


def test_ticks_not_seen_are_counted_as_expected() -> None:
    s = np.delete(10.0 * np.arange(64), [7, 22, 23])
    found = check_tape(taped(s, long=10.0 * np.arange(0, 64, 10)), PLAN, TURN_MM)
    assert (len(found.tape.ticks), found.tape.expected) == (61, 64)
    assert "61 ticks found, 64 expected" in found.check.note
    assert found.check.value == pytest.approx(0, abs=TIGHT_MM)


def test_a_tape_laid_over_its_own_beginning_is_recognised() -> None:
    found = check_tape(taped(10.0 * np.arange(67)), PLAN, TURN_MM)
    assert len(found.tape.ticks) == 67
    assert found.check.value == pytest.approx(0, abs=0.05)  # bars 4.2 mm apart disturb each other
    assert found.tape.closing_mm == pytest.approx(TURN_MM - 660, abs=0.05)
    assert "the tape's end lies 25.8 mm over its beginning" in found.check.note


def test_a_joint_elsewhere_shows_as_a_step_there() -> None:
    """A tape of two pieces, the second laid on 2 mm late."""
    s = 10.0 * np.arange(63) + np.where(np.arange(63) >= 40, 2.0, 0.0)
    off = offs(check_tape(taped(s), PLAN, TURN_MM))
    assert np.flatnonzero(np.abs(np.diff(off)) > 1).tolist() == [39]


def test_the_spacing_shrinks_with_the_height_of_the_tape() -> None:
    """Ticks 10 mm apart on a tape whose middle lies 2 mm above the surface."""
    radius = TURN_MM / (2 * math.pi)
    s = 10.0 * np.arange(60) * radius / (radius + 2.0)
    found = check_tape(taped(s), replace(PLAN, height_mm=2.0), TURN_MM)
    assert found.check.value == pytest.approx(0, abs=TIGHT_MM)
    assert found.tape.spacing_mm == pytest.approx(10 * radius / (radius + 2))
    flat = check_tape(taped(s), PLAN, TURN_MM)
    assert flat.check.value == pytest.approx(590 * 2 / (radius + 2), abs=TIGHT_MM)


def test_no_tape_is_said_and_asks_for_attention() -> None:
    bare = plain_strip(grid_of(TURN_MM))
    found = check_tape(bare, PLAN, TURN_MM)
    assert (found.check.value, found.check.verdict, found.tape) == (None, Verdict.ATTENTION, None)
    assert "no marks were found in the band 3 … 5 mm" in found.check.note

    outside = check_tape(bare, replace(PLAN, z_mm=(20.0, 22.0)), TURN_MM)
    assert "the strip has no rows in the band 20 … 22 mm, it shows 0.0 … 9.9 mm" in (
        outside.check.note
    )

    random = taped(np.sort(np.random.default_rng(1).uniform(0, TURN_MM, 40)))
    assert check_tape(random, PLAN, TURN_MM).tape is None


def test_an_arc_has_no_closing() -> None:
    strip = plain_strip(grid_of(300.0, ring=False, s_first_mm=-12.0))
    lay_bars(strip, 10.0 * np.arange(29), z_mm=(2.0, 6.0))
    lay_bars(strip, [-6.0], z_mm=(2.0, 6.0))  # the other end of the tape
    found = check_tape(strip, replace(PLAN, long_z_mm=None), 1000.0)
    assert [tick.number for tick in found.tape.ticks] == list(range(29))
    assert found.tape.closing_mm is None
    assert found.check.value == pytest.approx(0, abs=TIGHT_MM)


def test_a_gap_in_the_coverage_invents_no_ticks() -> None:
    strip = taped(10.0 * np.arange(64))
    gap = slice(2050, 2450)
    strip.values[:, gap] = 0
    strip.origin[:, gap] = Origin.NOT_COVERED
    found = check_tape(strip, PLAN, TURN_MM)
    assert not any(205 <= tick.s_mm <= 245 for tick in found.tape.ticks)
    assert found.tape.expected == 64
    assert found.check.value == pytest.approx(0, abs=TIGHT_MM)


@pytest.mark.parametrize("off_mm", [-1.7, 0.0, 0.3, 2.5])
def test_a_datums_marker_is_found_on_either_side(off_mm: float) -> None:
    strip = plain_strip(grid_of(TURN_MM))
    lay_bars(strip, [off_mm, 200.0])
    found = check_datum(strip, DATUM, TURN_MM)
    assert found.check.id == "position.datum_mm"
    assert found.check.value == pytest.approx(abs(off_mm), abs=TIGHT_MM)
    assert found.check.verdict is (Verdict.PASS if abs(off_mm) < 1 else Verdict.ATTENTION)
    if off_mm:
        assert ("behind" if off_mm > 0 else "before") in found.check.note


def test_a_marker_may_lie_elsewhere() -> None:
    strip = plain_strip(grid_of(TURN_MM))
    lay_bars(strip, [0.0, 150.2])
    found = check_datum(strip, replace(DATUM, marker_mm=150.0), TURN_MM)
    assert found.check.value == pytest.approx(0.2, abs=TIGHT_MM)


def test_two_markers_or_none_are_said() -> None:
    strip = plain_strip(grid_of(TURN_MM))
    none = check_datum(strip, DATUM, TURN_MM).check
    assert (none.value, none.verdict) == (None, Verdict.ATTENTION)
    assert none.note.startswith("no mark was found within 20 mm of 0 mm from the datum")
    lay_bars(strip, [-3.0, 9.0])
    both = check_datum(strip, DATUM, TURN_MM).check
    assert both.value is None
    assert both.note.startswith("2 marks were found within 20 mm")
    faint = plain_strip(grid_of(TURN_MM))
    lay_bars(faint, [-3.0])
    lay_bars(faint, [9.0], depth=0.3)
    assert check_datum(faint, DATUM, TURN_MM).check.value == pytest.approx(3.0, abs=TIGHT_MM)
    outside = check_datum(strip, replace(DATUM, z_mm=(20.0, 22.0)), TURN_MM).check
    assert outside.note.startswith("the strip has no rows in the band")
