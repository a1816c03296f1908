"""What becomes of readings: which SR_b counts, which gauge decides, what the rules make of it."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from pipeline.geometry import ScanGeometry
from pipeline.model import StripGrid
from pipeline.quality.asked.exposure_geometry import exposure_geometry
from pipeline.quality.asked.known import Known, StripPicture
from pipeline.quality.asked.requirement import SR_B, UNSHARPNESS, WIRE, WIRE_POSITIONS, Requirements
from pipeline.quality.asked.requirements import requirements
from pipeline.quality.gauges.duplex_iqi import DuplexReading
from pipeline.quality.gauges.iqi_plans import IqiPlan
from pipeline.quality.gauges.iqis import IqiRead
from pipeline.quality.gauges.wire_iqi import Wire, WireReading
from pipeline.quality.image import image_quality
from pipeline.quality.image.image_quality import ImageQuality, measure_image
from tests.quality.profiles import case, iso

GRID = StripGrid(40, 60, 0.1, 0.0, -2.0, False)
PICTURE = StripPicture(np.full(GRID.shape, 1000, np.uint16), GRID)


def duplex(s_mm: float, sr_b_mm: float | None, sigma_mm: float = 0.001) -> IqiRead:
    plan = IqiPlan("duplex", s_mm, 0.0)
    reading = DuplexReading(sr_b_mm, "" if sr_b_mm else "too faint", sigma_mm, "10D")
    return IqiRead(plan, reading.why_not, (0, 1), (0, 1), s_mm, 0.0, duplex=reading)


def wires(s_mm: float, thinnest: int | None, surest: int | None = None) -> IqiRead:
    plan = IqiPlan("wire", s_mm, 0.0)
    table = {row.name: row.diameter_mm for row in iso().wires.rows}  # type: ignore[union-attr]
    each = tuple(
        Wire(number, table[f"W{number}"], 0.0, 0.05, 0.001, 2.0, True) for number in plan.numbers
    )
    reading = WireReading(thinnest, "" if thinnest else "none is seen", surest or thinnest, each)
    return IqiRead(plan, reading.why_not, (0, 1), (0, 1), s_mm, 0.0, wire=reading)


def known(wall_mm: float = 12.7, diameter_mm: float = 609.6, **changes: Any) -> Known:
    exposure = exposure_geometry(ScanGeometry(diameter_mm / 2, 10.0), wall_mm, 1.0)
    weld = case(wall_mm=wall_mm, diameter_mm=diameter_mm)
    asked = requirements(iso(), weld, exposure)
    wanted = {SR_B, UNSHARPNESS, WIRE, WIRE_POSITIONS}
    told = {
        "asked": Requirements(tuple(one for one in asked.asked if one.id in wanted)),
        "exposure": exposure,
        "pitch_mm": 0.1,
        "iqis": (IqiPlan("wire", 0.0, 0.0),),
    }
    return Known(iso(), **(told | changes))


@pytest.fixture
def reading(monkeypatch: pytest.MonkeyPatch) -> Any:
    """Sets what the gauges say."""

    def says(*iqis: IqiRead) -> None:
        monkeypatch.setattr(image_quality, "read_iqis", lambda *_, **__: iqis)

    return says


def verdicts(found: ImageQuality) -> dict[str, str]:
    return {check.id: str(check.verdict) for check in found.checks if check.limit is not None}


def test_the_panel_counts_where_nothing_is_magnified(reading: Any) -> None:
    reading(duplex(10.0, 0.13))
    found = measure_image(PICTURE, known(detector_sr_b_mm=0.098))
    assert verdicts(found)[SR_B] == "pass"
    values = {one.id: (one.value, one.basis) for one in found.measures}
    assert values["sharpness.image_sr_b_mm"] == (0.13, "none")


def test_without_the_panels_the_worst_gauge_decides(reading: Any) -> None:
    reading(duplex(10.0, 0.095), duplex(20.0, 0.099), duplex(30.0, 0.09))
    found = measure_image(PICTURE, known())
    check = next(one for one in found.checks if one.id == SR_B)
    assert (check.value, check.verdict) == (0.099, "attention")
    assert check.note.startswith("the worst of 3 places, at 20 mm; measured (D10): met by 0.001 mm")


def test_magnified_the_image_counts(reading: Any) -> None:
    """114 mm, wall 6: M = 1.31, so the panel's own SR_b is only told beside it."""
    reading(duplex(10.0, 0.09))
    found = measure_image(PICTURE, known(6.0, 114.3, detector_sr_b_mm=0.05))
    check = next(one for one in found.checks if one.id == SR_B)
    assert (check.value, check.verdict) == (0.09, "fail")
    assert "sharpness.detector_sr_b_mm" in {one.id for one in found.measures}


def test_a_gauge_that_cannot_be_read_is_the_worst(reading: Any) -> None:
    reading(wires(10.0, 16), wires(20.0, None), wires(30.0, 14))
    found = measure_image(PICTURE, known(detector_sr_b_mm=0.1))
    assert verdicts(found)[WIRE] == "attention"
    check = next(one for one in found.checks if one.id == WIRE)
    assert (check.value, check.note[:33]) == (None, "the worst of 3 places, at 20 mm; ")
    assert verdicts(found)[WIRE_POSITIONS] == "fail"  # two of three


def test_what_is_not_met_is_worse_than_what_cannot_be_read(reading: Any) -> None:
    reading(duplex(10.0, 0.13), duplex(20.0, None))
    check = next(one for one in measure_image(PICTURE, known()).checks if one.id == SR_B)
    assert (check.value, check.verdict) == (0.13, "fail")


def test_a_wire_that_is_only_just_seen_asks_for_attention(reading: Any) -> None:
    """12.7 mm, class B: W13. Surely seen must be W13 at least."""
    for surest, verdict in ((13, "pass"), (12, "attention")):
        reading(wires(10.0, 14, surest))
        assert verdicts(measure_image(PICTURE, known(detector_sr_b_mm=0.1)))[WIRE] == verdict


def test_the_second_rule_only_where_it_is_allowed(reading: Any) -> None:
    """10 mm: D11 and W14. A panel of 0.095 mm shows D10, so W15 is asked instead."""
    reading(wires(10.0, 14), wires(20.0, 15), wires(30.0, 16))
    told = known(10.0, detector_sr_b_mm=0.095)
    without = measure_image(PICTURE, told)
    assert verdicts(without) == {SR_B: "fail", UNSHARPNESS: "fail", WIRE: "pass"} | {
        WIRE_POSITIONS: "pass"
    }
    assert "would ask W15 instead" in without.remarks[0]
    by_rule = measure_image(PICTURE, replace(told, allowed=("II",)))
    assert verdicts(by_rule) == {SR_B: "pass", UNSHARPNESS: "pass", WIRE: "fail"} | {
        WIRE_POSITIONS: "pass"
    }
    wire = next(one for one in by_rule.checks if one.id == WIRE)
    assert "by compensation rule II, which the config allows: 1 pair is missing" in wire.note


def test_nothing_asked_is_nothing_unmet(reading: Any) -> None:
    reading(wires(10.0, None), duplex(20.0, 0.5))
    found = measure_image(PICTURE, replace(known(), asked=Requirements(())))
    assert {str(check.verdict) for check in found.checks} == {"pass"}
    assert {one.basis for one in found.measures} == {"none"}


def test_gauges_at_unequal_distances_ask_for_attention(reading: Any) -> None:
    """Three round 6 mm of a ring: at 0, 2, 4 mm they are equal, at 0, 1, 2 mm 4 mm are left."""
    ring = StripPicture(PICTURE.values, replace(GRID, ring=True))
    told = known(detector_sr_b_mm=0.1)
    reading(wires(0.0, 16), wires(2.0, 16), wires(4.0, 16))
    assert verdicts(measure_image(ring, told))[WIRE_POSITIONS] == "pass"
    reading(wires(0.0, 16), wires(1.0, 16), wires(2.0, 16))
    check = next(c for c in measure_image(ring, told).checks if c.id == WIRE_POSITIONS)
    assert check.verdict == "attention"
    assert "none for 4 mm, where equal ones would be 2 mm apart" in check.note


def test_a_strip_that_is_less_sharp_than_it_should_be_is_told(reading: Any) -> None:
    """Panel 0.1 mm; at the panel's side of the wall d·b/f = 1·10/304.8 = 0.033 mm, M 1.033: due
    are √(0.033² + 0.2²)/1.033/2 = 0.098 mm."""
    told = known(detector_sr_b_mm=0.1)
    reading(duplex(10.0, 0.11), duplex(20.0, 0.13))
    (remark,) = (one for one in measure_image(PICTURE, told).remarks if "less sharp" in one)
    assert remark.startswith("at 20 mm the strip is less sharp, SR_b 0.13 mm, than panel")
    assert "0.0981 mm" in remark


@pytest.mark.parametrize("shape", [(1, 1), (3, 3), (60, 19), (60, 300)])
@pytest.mark.parametrize("value", [0, 500, 65535])
def test_a_picture_without_anything_in_it_tells_nothing(shape: tuple[int, int], value: int) -> None:
    grid = StripGrid(*shape, 0.1, 0.0, -3.0, False)
    told = replace(known(), iqis=(IqiPlan("wire", 5.0, 0.0), IqiPlan("duplex", 9.0, 0.0)))
    found = measure_image(StripPicture(np.full(shape, value, np.uint16), grid), told)
    assert verdicts(found) == {
        SR_B: "attention",
        UNSHARPNESS: "attention",
        WIRE: "attention",
        WIRE_POSITIONS: "fail",
    }
