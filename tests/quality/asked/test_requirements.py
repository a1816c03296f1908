"""What the shipped profile asks of welds, row by row beside hand look-ups; and compensation."""

from __future__ import annotations

from dataclasses import replace

import pytest

from pipeline.geometry import Arrangement, ScanGeometry
from pipeline.quality.asked.compensation import compensated, sharpness_rule
from pipeline.quality.asked.exposure_geometry import exposure_geometry
from pipeline.quality.asked.feasible_noise import frames_needed, snr_needed
from pipeline.quality.asked.requirement import (
    AREA,
    DISTANCE,
    SNR_N,
    SR_B,
    UNSHARPNESS,
    WIRE,
    WIRE_POSITIONS,
    Bound,
)
from pipeline.quality.asked.requirements import requirements
from tests.quality.profiles import case, iso


@pytest.mark.parametrize(
    ("testing_class", "kv", "wall", "least"),
    [
        ("A", 50, 5, 100),
        ("B", 50, 5, 150),
        ("B", 51, 5, 120),
        ("B", 150, 5, 120),
        ("B", 150.1, 5, 100),
        ("A", 150, 5, 70),
        ("B", 300, 50, 100),
        ("B", 300, 50.1, 70),
    ],
)
def test_least_snr_n(testing_class: str, kv: float, wall: float, least: float) -> None:
    """Bounds belong to the lower row; beside a weld with cap 1.4 times as much is asked."""
    weld = case(testing_class=testing_class, kv=kv, wall_mm=wall)
    found = requirements(iso(), weld).of(SNR_N)
    assert found is not None
    assert found.value == pytest.approx(1.4 * least)
    assert found.bound is Bound.LEAST
    flush = requirements(iso(), replace(weld, flush=True)).of(SNR_N)
    assert flush is not None
    assert flush.value == pytest.approx(least)
    assert (
        "ISO 17636-2:2013, Table 3 (from memory; check against your licensed copy)" in flush.basis
    )


@pytest.mark.parametrize(
    ("testing_class", "wall", "wire"),
    [
        ("A", 1.2, "W18"),
        ("A", 1.21, "W17"),
        ("A", 12.7, "W12"),
        ("A", 300, "W4"),
        ("B", 6, "W16"),
        ("B", 6.1, "W15"),
        ("B", 12, "W14"),
        ("B", 12.7, "W13"),
        ("B", 400, "W5"),
    ],
)
def test_wires_through_one_wall(testing_class: str, wall: float, wire: str) -> None:
    found = requirements(iso(), case(testing_class=testing_class, wall_mm=wall)).of(WIRE)
    assert found is not None
    assert (found.name, found.bound) == (wire, Bound.MOST)


def test_a_gauge_at_the_panel_needs_a_comparison() -> None:
    found = requirements(iso(), case(iqi_side="detector")).of(WIRE)
    assert found is not None
    assert found.name == "W13"
    assert "mark it F" in found.note


def test_through_two_walls_the_penetrated_thickness_counts() -> None:
    """2 × 8 mm: W14 of the table for gauges at the panel, D10 and 100 for SNR_N."""
    weld = case(arrangement=Arrangement.TWO_WALL, wall_mm=8.0, diameter_mm=219.1, flush=True)
    asked = requirements(iso(), weld)
    assert [asked.of(one).name for one in (WIRE, SR_B)] == ["W14", "D10"]  # type: ignore[union-attr]
    assert asked.of(SNR_N).value == 100  # type: ignore[union-attr]
    assert asked.of(WIRE_POSITIONS) is None


@pytest.mark.parametrize(
    ("testing_class", "wall", "sr_b"),
    [
        ("A", 5, 0.10),
        ("A", 5.1, 0.13),
        ("A", 10.1, 0.16),
        ("B", 4, 0.05),
        ("B", 8, 0.063),
        ("B", 12, 0.08),
        ("B", 12.1, 0.10),
        ("B", 41, 0.13),
        ("B", 1, 0.04),
        ("A", 251, 0.40),
    ],
)
def test_greatest_sr_b(testing_class: str, wall: float, sr_b: float) -> None:
    asked = requirements(iso(), case(testing_class=testing_class, wall_mm=wall))
    sharp, total = asked.of(SR_B), asked.of(UNSHARPNESS)
    assert sharp is not None
    assert total is not None
    assert (sharp.value, total.value) == (sr_b, 2 * sr_b)
    assert sharp.margin(sr_b + 0.01) == pytest.approx(-0.01)


def test_a_panel_of_100_um_meets_class_b_only_above_12_mm() -> None:
    assert iso().thickness_from_mm("B", 0.1) == 12
    assert iso().thickness_from_mm("B", 0.13) == 40
    assert iso().thickness_from_mm("A", 0.1) == 2
    assert iso().thickness_from_mm("A", 0.13) == 5
    assert iso().thickness_from_mm("A", 0.41) is None


def test_geometry_of_the_24_inch_ring() -> None:
    """f/d = 146.15 is 18.23 · b^(2/3), so f is 18.23/15 of the least."""
    exposure = exposure_geometry(ScanGeometry(305.0, 10.0), 12.7, 2.0)
    asked = requirements(iso(), case(diameter_mm=610.0), exposure)
    found = asked.of(DISTANCE)
    assert found is not None
    assert exposure.source_to_object_mm / found.value == pytest.approx(18.23 / 15, rel=4e-4)
    assert found.slack == pytest.approx(found.value / 2)
    area = asked.of(AREA)
    assert area is not None
    assert area.value == 1.1


def test_what_cannot_be_told_is_named() -> None:
    untold = requirements(iso(), case(kv=None, material="unobtainium")).untold
    assert len(untold) == 1
    assert "no material like 'unobtainium'" in untold[0].why
    assert untold[0].id == SNR_N
    assert "tube voltage isn't told" in requirements(iso(), case(kv=None)).untold[0].why
    assert requirements(iso(), case(kv=None)).of(SNR_N) is None
    exposure = exposure_geometry(ScanGeometry(305.0, 10.0), 12.7)
    assert "focal_spot_mm" in requirements(iso(), case(), exposure).untold[-1].why


def test_an_isotope_needs_no_tube_voltage() -> None:
    found = requirements(iso(), case(kv=None, source="Ir-192", flush=True)).of(SNR_N)
    assert found is not None
    assert found.value == 100


@pytest.mark.parametrize(
    ("diameter", "ring", "asked"), [(609.6, True, True), (199, True, False), (609.6, False, False)]
)
def test_a_ring_wants_three_wire_gauges(diameter: float, ring: bool, asked: bool) -> None:
    found = requirements(iso(), case(diameter_mm=diameter, ring=ring)).of(WIRE_POSITIONS)
    assert (found is not None) is asked
    assert found is None or found.value == 3


@pytest.mark.parametrize(
    ("snr_n", "sr_b", "snr"),
    [(70, 0.1, 79.0), (100, 0.1, 112.9), (120, 0.1, 135.4), (100, 0.13, 146.7), (140, 0.063, 99.6)],
)
def test_snr_that_an_snr_n_takes(snr_n: float, sr_b: float, snr: float) -> None:
    """SNR_N · SR_b/88.6 µm, computed elsewhere to 0.1 (with 88.6227 µm: less than 0.1 apart)."""
    assert snr_needed(snr_n, sr_b, 0.0886) == pytest.approx(snr, abs=0.11)


def test_frames_that_an_snr_takes() -> None:
    """16 frames of SNR 30 give 120; one more bit of SNR takes a frame more."""
    assert frames_needed(120, 30) == 16
    assert frames_needed(120.1, 30) == 17
    assert frames_needed(10, 30) == 1


# ---- compensation ------------------------------------------------------------------------------


def test_a_missing_pair_takes_one_wire_more() -> None:
    """10 mm, class B: D11 and W14. A picture of 0.095 mm shows D10: one pair missing, so W15."""
    asked = requirements(iso(), case(wall_mm=10))
    rule = sharpness_rule(iso(), asked, 0.095)
    assert rule is not None
    assert (rule.missing, rule.pair, rule.wire) == (1, "D10", "W15")
    assert compensated(asked, rule, ()) == asked
    instead = compensated(asked, rule, ("II",))
    assert [(instead.of(one).value, instead.of(one).name) for one in (SR_B, WIRE)] == [  # type: ignore[union-attr]
        (0.1, "D10"),
        (0.125, "W15"),
    ]
    assert instead.of(SNR_N) == asked.of(SNR_N)


def test_three_pairs_only_by_agreement_and_four_never() -> None:
    asked = requirements(iso(), case(wall_mm=10))
    three = sharpness_rule(iso(), asked, 0.15)
    assert three is not None
    assert (three.missing, three.wire) == (3, "W17")
    assert compensated(asked, three, ("II",)) == asked
    assert compensated(asked, three, ("II",), by_agreement=True).of(WIRE).name == "W17"  # type: ignore[union-attr]
    four = sharpness_rule(iso(), asked, 0.2)
    assert four is not None
    assert four.missing == 4
    assert compensated(asked, four, ("II",), by_agreement=True) == asked
    blurred = sharpness_rule(iso(), asked, 0.9)
    assert blurred is not None
    assert blurred.missing == 11  # D11 to D1, and not even that


def test_sharp_enough_needs_no_rule() -> None:
    asked = requirements(iso(), case())
    assert sharpness_rule(iso(), asked, 0.1) is None
