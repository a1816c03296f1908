"""What is said before an exposure: panel, geometry and wall against what is asked."""

from __future__ import annotations

import math
from typing import Any

import pytest

from pipeline.geometry import Arrangement, ScanGeometry
from pipeline.quality.asked.exposure_geometry import (
    exposure_geometry,
    largest_reach_rad,
    thickness_ratio,
)
from pipeline.quality.asked.feasibility import findings
from pipeline.quality.asked.intended import Finding, FrameNoise, Intended, Reach, counting_sharpness
from pipeline.quality.asked.requirement import AREA, DISTANCE, SNR_N, SR_B, WIRE_POSITIONS
from pipeline.quality.asked.requirements import requirements
from tests.quality.profiles import case, iso


def intended(wall_mm: float = 12.7, spot_mm: float | None = 2.0, **changes: Any) -> Intended:
    """A 610 mm ring with a panel of 100 µm, 150 mm long, 10 mm off the pipe."""
    diameter_mm = changes.pop("diameter_mm", 610.0)
    told = {
        "case": case(wall_mm=wall_mm, diameter_mm=diameter_mm, **changes.pop("weld", {})),
        "exposure": exposure_geometry(ScanGeometry(diameter_mm / 2, 10.0), wall_mm, spot_mm),
        "pitch_mm": 0.1,
        "thickness_ratio": 1.0,
        "largest_reach_part": 1.0,
        "frame_length_mm": 142.0,
        "turn_mm": math.pi * diameter_mm,
    }
    return Intended(**(told | changes))


def found(plan: Intended, which: str, *allowed: str, by_agreement: bool = False) -> Finding:
    asked = requirements(iso(), plan.case, plan.exposure)
    all_of_it = findings(iso(), asked, plan, allowed, by_agreement=by_agreement)  # type: ignore[arg-type]
    return next(one for one in all_of_it if one.id == which)


@pytest.mark.parametrize(
    ("wall", "sr_b", "allowed", "reach", "said"),
    [
        (12.7, 0.10, (), Reach.MET, "class B asks 0.1 mm (D10)"),
        (12.7, None, (), Reach.CONDITION, "at best, by its pixels of 100 µm"),
        (12.0, 0.10, (), Reach.NOT_MET, "reaches class B from more than 12 mm penetrated on"),
        (12.0, 0.10, ("II",), Reach.CONDITION, "1 pair is missing, so W15 (0.125 mm) must be seen"),
        (6.0, 0.10, ("II",), Reach.CONDITION, "2 pairs are missing, so W18"),
        (6.0, 0.13, ("II",), Reach.NOT_MET, "from more than 40 mm"),
        (4.0, 0.13, ("II",), Reach.NOT_MET, "from more than 40 mm"),
    ],
)
def test_a_panel_of_100_um(
    wall: float, sr_b: float | None, allowed: tuple[str, ...], reach: Reach, said: str
) -> None:
    """Class B directly only above 12 mm; 6 to 12 mm by one or two missing pairs."""
    one = found(intended(wall, detector_sr_b_mm=sr_b), SR_B, *allowed)
    assert one.reach is reach
    assert said in one.text


def test_what_would_mend_a_coarse_panel() -> None:
    """u = √(d²(M − 1)² + 4s²)/M is least at M = 1 + 4s²/d², where it is 2sd/√(d² + 4s²); so it
    comes down to 2r for d = 2rs/√(s² − r²) = 0.267 mm, rounded down, and M = 1.5625 with
    s = 0.1, r = 0.08."""
    one = found(intended(12.0, detector_sr_b_mm=0.1), SR_B)
    assert "a panel with SR_b of at most 0.08 mm" in one.remedy
    assert "a focal spot below 0.26 mm and a magnification of about 1.56" in one.remedy
    assert one.remedy.startswith('compensation = ["II"] if the procedure allows it: 1 pair')
    spot, enlarged, s = 0.8 / 3, 1.5625, 0.1
    assert math.hypot(spot * (enlarged - 1), 2 * s) / enlarged == pytest.approx(0.16)


def test_three_missing_pairs_take_an_agreement() -> None:
    plan = intended(6.0, detector_sr_b_mm=0.13)
    assert "by agreement between the parties" in found(plan, SR_B, "II").remedy
    assert found(plan, SR_B, "II", by_agreement=True).reach is Reach.CONDITION


def test_magnified_the_image_counts() -> None:
    """114 mm, wall 6, gap 10: M = 1.313, so the image's SR_b, √(0.626² + 0.2²)/1.313/2 = 0.2503."""
    plan = intended(6.0, diameter_mm=114.3, detector_sr_b_mm=0.1)
    sharp = counting_sharpness(iso(), plan)
    assert sharp.of_image
    assert sharp.sr_b_mm == pytest.approx(0.2503, abs=2e-4)
    assert "SR_b of the image" in found(plan, SR_B).text
    untold = intended(6.0, None, diameter_mm=114.3)
    assert found(untold, SR_B).reach is Reach.UNKNOWN


def test_the_distance_holds_may_be_less_or_misses() -> None:
    """f = 292.3 mm; class B asks d · 120.2 mm for b = 22.7 mm: 2.43 mm is the largest spot."""
    largest = found(intended(spot_mm=2.4), DISTANCE)
    assert largest.reach is Reach.MET
    assert "(f/d = 122), at least 288.6 mm" in largest.text  # 292.3/2.4, 120.26 · 2.4
    shorter = found(intended(spot_mm=3.0), DISTANCE)
    assert shorter.reach is Reach.CONDITION
    assert "19 % less than asked" in shorter.text
    assert "a focal spot of at most 2.43 mm" in shorter.remedy
    assert found(intended(spot_mm=4.9), DISTANCE).reach is Reach.NOT_MET


def test_frames_that_it_takes() -> None:
    """140 · 0.1/0.0886 = 158.0; a frame of 60 with a gain of 0.1 % brings 59.9: (158/59.9)² = 6.96,
    so 7 frames, steps of 142/7 = 20.29 mm, never rounded up, 95 stops round 1916.4 mm."""
    plan = intended(detector_sr_b_mm=0.1, noise=FrameNoise(60.0, 0.001), frame_mas=6.0)
    one = found(plan, SNR_N)
    assert "must be in 7 frames, 42 mA·s in all, steps of at most 20.2 mm, 95 round" in one.text
    assert "with 12 mA·s a frame" in one.remedy
    assert found(intended(noise=None), SNR_N).reach is Reach.UNKNOWN
    assert found(intended(noise=FrameNoise(200.0)), SNR_N).reach is Reach.MET


def test_a_noisy_gain_limits_what_one_place_can_reach() -> None:
    """A gain of 0.5 % noise: 200 at most, and 158 are asked; of 1 %: 100."""
    near = found(intended(noise=FrameNoise(60.0, 0.005)), "calibration.snr_limit")
    assert (near.reach, round(near.found or 0)) == (Reach.CONDITION, 200)
    beyond = found(intended(noise=FrameNoise(60.0, 0.01)), "calibration.snr_limit")
    assert beyond.reach is Reach.NOT_MET


@pytest.mark.parametrize(("dose", "part"), [(1, 0.7071), (2, 0.8165), (4, 0.8944), (10, 0.9535)])
def test_a_calibration_of_more_dose_costs_less(dose: float, part: float) -> None:
    """Flats of k times a frame's dose have a noise of 1/(SNR·√k), and leave √(k/(k + 1))."""
    noise = FrameNoise(100.0, 1 / (100.0 * math.sqrt(dose)))
    assert noise.corrected_snr / 100 == pytest.approx(part, abs=5e-5)


def test_flats_need_twice_the_dose() -> None:
    low, high = (
        found(intended(calibration_dose=dose, gray_value=20000.0), "calibration.dose_ratio")
        for dose in (39999.0, 40000.0)
    )
    assert (low.reach, high.reach) == (Reach.NOT_MET, Reach.MET)


def test_a_ring_wants_declared_wires() -> None:
    assert found(intended(wire_gauges=2), WIRE_POSITIONS).reach is Reach.NOT_MET
    assert found(intended(wire_gauges=3), WIRE_POSITIONS).reach is Reach.MET


def test_a_long_panel_sees_too_much_wall_at_its_ends() -> None:
    geometry = ScanGeometry(109.55, 10.0, Arrangement.TWO_WALL, source_distance_mm=150.0)
    part = largest_reach_rad(geometry, 8.18, 1.1, 0.8)
    assert thickness_ratio(geometry, 8.18, 0.8) > 1.1
    assert thickness_ratio(geometry, 8.18, part) == pytest.approx(1.1, abs=0.005)
    plan = intended(thickness_ratio=1.3, largest_reach_part=0.5)
    one = found(plan, AREA)
    assert one.reach is Reach.NOT_MET
    assert "use only the inner 50 % of a frame's length" in one.remedy
    assert "steps below 71 mm" in one.remedy
