from __future__ import annotations

import numpy as np
import pytest

from pipeline.quality.gauges.wire_iqi import WireCriteria, WireReading, read_wires
from tests.calibration.duplex_theory import sr_b_mm
from tests.quality.wire_shots import PITCH_MM, WIRES_MM, noise_of_depth, seen_mm, shot

SIGMA_MM, PER_MM = 0.06, 0.05
SR_B_MM = sr_b_mm(SIGMA_MM, PITCH_MM)


def read(picture: np.ndarray, **changes: object) -> WireReading:
    told = {
        "middle_px": (picture.shape[1] - 1) / 2,
        "pitch_mm": PITCH_MM,
        "diameters_mm": WIRES_MM,
        "spacing_mm": 5.0,
        "search_mm": 3.0,
        "sr_b_mm": SR_B_MM,
        "criteria": WireCriteria(),
    }
    return read_wires(picture, **(told | changes))  # type: ignore[arg-type]


def true_depth(number: int) -> float:
    return PER_MM * float(seen_mm(WIRES_MM[number], SIGMA_MM)[1].max())


def snr_for(number: int, significance: float) -> float:
    """A pixel's SNR at which the wire's depth over 10 mm is so many standard deviations."""
    noise = noise_of_depth(number, length_mm=10, window_mm=1.5, sigma_mm=SIGMA_MM)
    return significance * noise / true_depth(number)


@pytest.mark.parametrize(
    "laid",
    [
        {},
        {"lean_deg": 3.0, "off_mm": 2.2},
        {"lean_deg": -4.0, "off_mm": -1.63, "falling": False},
        {"moved_mm": {12: 0.12, 15: -0.12}},
    ],
)
def test_depths_and_places_of_all_wires(laid: dict[str, object]) -> None:
    found = read(shot(np.random.default_rng(1), snr=2000, **laid))  # type: ignore[arg-type]
    assert found.thinnest == 16
    assert found.why_not == ""
    assert found.remarks == ()
    assert found.lean_deg == pytest.approx(laid.get("lean_deg", 0.0), abs=0.25)  # a step is 0.2°
    for place, wire in enumerate(found.wires):
        # Half a step of the lean, 0.1°, over 10 mm and of the place, 0.025 mm, widen a shadow of
        # σ 0.07 mm by less than 3 %; that a wire's blur isn't quite a Gaussian does 2 %.
        depth = true_depth(wire.number)
        assert wire.depth == pytest.approx(depth, rel=0.05, abs=3 * wire.depth_sigma)
        side = 1 if laid.get("falling", True) else -1
        at = 21.0 + laid.get("off_mm", 0.0) + side * (place - 3) * 5.0 - PITCH_MM / 2
        at += laid.get("moved_mm", {}).get(wire.number, 0.0)
        # The part that was read needn't be the picture's middle.
        at += np.tan(np.radians(laid.get("lean_deg", 0.0))) * (sum(found.along_mm) / 2 - 6.0)
        assert wire.at_mm == pytest.approx(at, abs=0.07)  # half a pixel and a half step
        assert wire.diameter_mm == WIRES_MM[wire.number]
        # One pixel's noise is 1/2000 of the ground.
        assert wire.cnr == pytest.approx(wire.depth * 2000, rel=0.03)


def near_the_criterion(rng: np.random.Generator, snr: float) -> np.ndarray:
    """A gauge laid anyhow, without W15 and with a thinner W16."""
    return shot(
        rng,
        snr=snr,
        lean_deg=rng.uniform(-4, 4),
        off_mm=rng.uniform(-2.5, 2.5),
        falling=bool(rng.integers(2)),
        absent=(15,),
        wires=WIRES_MM | {16: 0.09},
    )


def test_near_the_criterion_wires_are_found_and_others_are_not() -> None:
    """100 gauges, laid anyhow: W14 stands out by 7.5 standard deviations, 1.5 times the
    criterion's 5 and so less than a wire's step above it (1.58); W15 isn't there, and W16, drawn
    thinner, stands out by 2.4. An estimate scatters by 1, its σ by 7 %: of 100, 2 and 1 are
    expected to go wrong."""
    rng = np.random.default_rng(2)
    snr = snr_for(14, 7.5)
    right = weak = absent = 0
    for _ in range(100):
        found = read(near_the_criterion(rng, snr))
        right += found.thinnest == 14
        absent += found.wires[5].significance >= 5
        weak += found.wires[6].significance >= 5
    assert right >= 95
    assert absent <= 3
    assert weak <= 3


@pytest.mark.parametrize("shared_noise", [1, 3])
def test_the_claimed_uncertainty_is_the_true_one(shared_noise: int) -> None:
    """Also where neighbouring pixels share their noise, as in any resampled strip."""
    rng = np.random.default_rng(3)
    off = []
    for _ in range(30):
        found = read(shot(rng, snr=400, shared_noise=shared_noise))
        off += [(w.depth - true_depth(w.number)) / w.depth_sigma for w in found.wires]
    # 90 values: their RMS is uncertain by 7 %. Depths of thicker wires, which stand out by 40 and
    # more, are off by as much again, because their shape isn't known better than 3 %.
    thin = np.array(off).reshape(-1, 7)[:, 4:]
    assert np.sqrt(np.mean(thin**2)) == pytest.approx(1, abs=0.25)


def test_what_is_not_there_is_not_found() -> None:
    rng = np.random.default_rng(4)
    for snr in (40, 400):
        for _ in range(10):
            found = read(shot(rng, snr=snr, absent=tuple(WIRES_MM)))
            assert found.thinnest is None
            assert "no set of wires at these distances stands out" in found.why_not
            assert found.wires == ()


def test_too_faint_wires_say_so() -> None:
    found = read(shot(np.random.default_rng(5), snr=snr_for(10, 8.0)), criteria=WireCriteria(12.0))
    assert found.thinnest is None
    assert "not even the thickest wire, W10, is seen" in found.why_not
    assert not any(wire.seen for wire in found.wires)


def test_a_stricter_criterion_and_the_surest_wire() -> None:
    picture = shot(np.random.default_rng(6), snr=snr_for(14, 9.0))
    found = read(picture)
    assert found.thinnest in (14, 15)  # W15 stands out by 5.7
    assert found.surest in (13, 14)
    strict = read(picture, criteria=WireCriteria(least_significance=12.0))
    assert strict.thinnest == 13  # by 13.6
    assert [wire.depth for wire in strict.wires][:3] == [wire.depth for wire in found.wires][:3]


def test_reading_ends_at_the_first_wire_that_is_not_seen() -> None:
    found = read(shot(np.random.default_rng(7), snr=1000, absent=(12,)))
    assert found.thinnest == 11
    assert found.remarks == (
        "W16 stands out although W12 doesn't: read up to the first wire that isn't seen",
    )


def test_a_tape_of_lead_is_no_gauge() -> None:
    """Ticks 10 mm apart, twice the wires' spacing, all equally dark."""
    ticks = {10: 0.4, 11: 1e-6, 12: 0.4, 13: 1e-6, 14: 0.4, 15: 1e-6, 16: 0.4}
    found = read(shot(np.random.default_rng(15), snr=400, per_mm=1.0, wires=ticks))
    assert found.thinnest is None
    assert "doesn't get fainter as the wires of the set get thinner" in found.why_not


def test_another_set_is_read_by_its_own_numbers() -> None:
    thick = dict(zip(WIRES_MM, (1.0, 0.8, 0.63, 0.5, 0.4, 0.32, 0.25), strict=True))
    picture = shot(np.random.default_rng(16), snr=400, wires=thick)
    told = dict(zip(range(6, 13), thick.values(), strict=True))
    found = read(picture, diameters_mm=told)
    assert found.thinnest == 12


def test_a_wire_that_is_only_there_in_part_is_not_seen() -> None:
    whole = shot(np.random.default_rng(8), snr=600)
    broken = shot(np.random.default_rng(8), snr=600, absent=(13,))
    whole[40:] = broken[40:]  # W13 ends after 4 of 12 mm
    assert read(whole).thinnest == 12


def test_the_even_metal_beside_the_cap_is_read() -> None:
    picture = shot(np.random.default_rng(9), snr=800, size_mm=(36.0, 42.0))
    z = (np.arange(360) - 179.5) * PITCH_MM
    cap = np.exp(-0.06 * 2.0 * np.cos(np.clip(z / 7, -1, 1) * np.pi / 2))
    found = read(picture * cap[:, None])
    first, last = found.along_mm
    assert last - first == pytest.approx(10)
    assert last <= 18 - 7 + 0.5 or first >= 18 + 7 - 0.5
    assert found.thinnest == 16


def test_wires_shorter_than_asked_for_are_remarked_on() -> None:
    picture = shot(np.random.default_rng(10), snr=1000, size_mm=(30.0, 42.0))
    bare = shot(np.random.default_rng(11), snr=1000, size_mm=(30.0, 42.0), absent=tuple(WIRES_MM))
    picture[:90], picture[160:] = bare[:90], bare[160:]
    found = read(picture)
    assert found.along_mm == pytest.approx((9.0, 16.0), abs=1.1)  # whole bands of 1 mm
    assert "mm of the wires could be read; 10 mm are asked for" in found.remarks[0]


def test_a_lead_letter_beside_the_wires_does_no_harm() -> None:
    picture = shot(np.random.default_rng(12), snr=1000, off_mm=1.0)
    clean = read(picture)
    picture[20:60, 90:110] *= 0.4  # between W10 and W11
    found = read(picture)
    assert found.thinnest == clean.thinnest == 16
    assert found.wires[3].depth == pytest.approx(clean.wires[3].depth, rel=0.02)


def test_the_profile_shows_the_wires() -> None:
    found = read(shot(np.random.default_rng(13), snr=2000))
    for wire in found.wires[:4]:
        # Columns lie up to half a pixel off the middle, which is 1 − exp(−(0.05/0.08)²/2) of it.
        near = np.abs(found.at_mm - wire.at_mm) < 0.1
        assert found.profile[near].max() == pytest.approx(wire.depth, rel=0.2)


def test_the_picture_is_left_alone() -> None:
    picture = shot(np.random.default_rng(14), snr=300)
    before = picture.copy()
    read(picture)
    assert (picture == before).all()
