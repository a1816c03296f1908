from __future__ import annotations

import numpy as np
import pytest

from pipeline.calibration.duplex import interpolate_sr_b, measure_duplex
from pipeline.calibration.duplex_pairs import DIAMETERS_MM as OURS
from tests.calibration.duplex_shots import shot
from tests.calibration.duplex_theory import DIAMETERS_MM, dips_percent, sr_b_mm

NAMES = [f"{number}D" for number in range(1, 14)]


def by_name(**dips: float) -> tuple[list[float], list[float]]:
    return [DIAMETERS_MM[int(name[1:]) - 1] for name in dips], list(dips.values())


def test_the_gauge_is_the_standards() -> None:
    assert OURS == DIAMETERS_MM
    # Renard's R10 series, rounded: each wire 10^(−1/10) as thick as the one before, within 3 %.
    ratios = np.divide(OURS[1:], OURS[:-1])
    assert np.abs(ratios / 10**-0.1 - 1).max() < 0.035


@pytest.mark.parametrize(
    ("dips", "expected"),
    [
        # Least squares over these four points, computed with another program.
        ({"D8": 62, "D9": 41, "D10": 17, "D11": 3}, 0.10282),
        ({"D9": 55, "D10": 29, "D11": 11, "D12": 2}, 0.09016),
        # A dip of zero counts only if no other is below: a parabola through three points, solved
        # by hand.
        ({"D9": 54.5, "D10": 25.0, "D11": 4.3, "D12": 0.0}, 0.09510),
        ({"D8": 50.6, "D9": 27.4, "D10": 3.5, "D11": 0.0}, 0.12062),
        # 50 + 666.7·(x − 0.13) − 16667·(x − 0.13)·(x − 0.1) = 20.
        ({"D9": 50, "D10": 30, "D11": 0.0}, 0.09228),
    ],
)
def test_interpolation_by_the_rule(dips: dict[str, float], expected: float) -> None:
    found, why = interpolate_sr_b(*by_name(**dips))
    assert why == ""
    assert found == pytest.approx(expected, abs=5e-5)  # the figures' last digit


@pytest.mark.parametrize(
    ("dips", "why"),
    [
        ({"D8": 62, "D9": 41, "D10": 25}, "every pair is resolved: SR_b is finer than 0.1 mm"),
        ({"D1": 62, "D2": 12, "D3": 3}, "fewer than two pairs are resolved"),
        ({"D1": 10, "D2": 5}, "fewer than two pairs are resolved"),
    ],
)
def test_what_cant_be_interpolated_says_why(dips: dict[str, float], why: str) -> None:
    found, text = interpolate_sr_b(*by_name(**dips))
    assert found is None
    assert why in text


def test_any_dips_on_both_sides_give_a_figure_between_them() -> None:
    """Least squares over four points leave residuals of alternating signs, so the parabola has a
    root within their range, however the dips scatter."""
    rng = np.random.default_rng(6)
    diameters = [0.16, 0.13, 0.1, 0.08]
    for _ in range(500):
        dips = [*rng.uniform(20, 100, 2), *rng.uniform(0, 20, 2)]
        found, _ = interpolate_sr_b(diameters, dips)
        assert found is not None
        assert 0.08 <= found <= 0.16
    assert interpolate_sr_b(diameters[:3], [20.0, 20.0, 0.0])[0] == pytest.approx(0.13)


def test_the_theory_agrees_with_figures_computed_elsewhere() -> None:
    """Platinum at 100 keV, 0.1 mm pixels: computed with another program, one digit less."""
    known = {
        0.03: ({"D10": 72.9, "D11": 49.9, "D12": 19.1}, 0.0634),
        0.045: ({"D10": 49.3, "D11": 23.2, "D12": 2.0}, 0.0775),
        0.06: ({"D9": 54.5, "D10": 25.0, "D11": 4.3}, 0.0951),
        0.08: ({"D8": 50.6, "D9": 27.4, "D10": 3.5}, 0.1207),
    }
    for sigma, (dips, sr_b) in known.items():
        found = dict(zip((f"D{k}" for k in range(1, 14)), dips_percent(sigma, 0.1), strict=True))
        assert {name: found[name] for name in dips} == pytest.approx(dips, abs=0.15)
        assert sr_b_mm(sigma, 0.1) == pytest.approx(sr_b, abs=1e-4)


@pytest.mark.parametrize("sigma_mm", [0.03, 0.045, 0.06, 0.08])
@pytest.mark.parametrize(("tilt_deg", "snr"), [(3.0, 1e9), (3.0, 300.0), (-2.2, 300.0)])
def test_sr_b_of_a_known_blur(sigma_mm: float, tilt_deg: float, snr: float) -> None:
    found = measure_duplex(shot(sigma_mm, tilt_deg=tilt_deg, snr=snr), pitch_mm=0.1)
    truth = sr_b_mm(sigma_mm, 0.1)
    # Steps of 1/8 px widen the blur: σ² by (0.0125 mm)²/12, 0.7 % of σ at 0.03 mm. With 78 lines
    # at SNR 300 a step of the profile has 0.03 %; a dip of thin wires, 10 % deep, 0.5 points, and
    # 12 points of dip are 0.01 mm there, so 0.5 %; three times that.
    assert found.sr_b_mm == pytest.approx(truth, rel=0.007 if snr > 1e6 else 0.022)
    assert found.why_not == ""
    assert found.tilt_deg == pytest.approx(tilt_deg, abs=0.02)
    assert found.remarks == ()
    assert [pair.name for pair in found.pairs] == NAMES
    dips = [0.0 if pair.dip_percent is None else pair.dip_percent for pair in found.pairs]
    theory = dips_percent(sigma_mm, 0.1)
    # The thinnest wire is 4 % deep: its dip is known to some points only.
    assert dips[:-1] == pytest.approx(theory[:-1], abs=2.5)
    resolved = [pair for pair, dip in zip(NAMES, theory, strict=True) if dip >= 20]
    assert found.first_unresolved == NAMES[len(resolved)]


@pytest.mark.parametrize(
    "turn",
    [
        lambda picture: picture.T,
        lambda picture: picture[:, ::-1],
        lambda picture: picture[::-1],
        lambda picture: picture.T[::-1],
    ],
    ids=["turned", "mirrored", "upside down", "turned and mirrored"],
)
def test_however_the_gauge_lies(turn: object) -> None:
    assert callable(turn)
    picture = shot(0.06)
    there = measure_duplex(picture, pitch_mm=0.1)
    found = measure_duplex(np.ascontiguousarray(turn(picture)), pitch_mm=0.1)
    # The same pixels; only where the profile's steps begin may differ: noise by a small part.
    assert found.sr_b_mm == pytest.approx(there.sr_b_mm, rel=0.005)
    assert abs(found.tilt_deg) == pytest.approx(abs(there.tilt_deg), abs=0.01)


@pytest.mark.parametrize(("pitch_mm", "sigma_mm"), [(0.05, 0.06), (0.2, 0.1), (0.139, 0.05)])
def test_other_panels(pitch_mm: float, sigma_mm: float) -> None:
    found = measure_duplex(shot(sigma_mm, pitch_mm=pitch_mm, tilt_deg=4.0), pitch_mm=pitch_mm)
    # Fewer lines on coarse panels: noise as above times the root of their number.
    assert found.sr_b_mm == pytest.approx(sr_b_mm(sigma_mm, pitch_mm), rel=0.03)


def test_weaker_wires_have_the_sr_b_of_their_own_profile() -> None:
    def passed(chord_mm: np.ndarray) -> np.ndarray:
        return np.exp(-2.0 * chord_mm)

    found = measure_duplex(shot(0.06, passed=passed, snr=1000.0), pitch_mm=0.1)
    assert found.sr_b_mm == pytest.approx(sr_b_mm(0.06, 0.1, passed), rel=0.022)


def test_a_large_picture_and_a_short_narrow_gauge() -> None:
    picture = np.full((700, 900), 20000.0, dtype=np.float32)
    picture += np.random.default_rng(2).normal(0, 70, picture.shape).astype(np.float32)
    part = shot(0.06, size_mm=(24.0, 45.0), spacing_mm=2.6, length_mm=3.8, tilt_deg=4.0)
    picture[200:440, 300:750] = part
    found = measure_duplex(picture, pitch_mm=0.1)
    # 22 lines instead of 78: twice the noise.
    assert found.sr_b_mm == pytest.approx(sr_b_mm(0.06, 0.1), rel=0.045)


def test_pairs_out_of_view() -> None:
    picture = shot(0.06)
    without_thick = measure_duplex(picture[:, 150:], pitch_mm=0.1)  # 1D to 3D cut off
    assert without_thick.pairs[0].name == "4D"
    assert without_thick.sr_b_mm == pytest.approx(sr_b_mm(0.06, 0.1), rel=0.022)
    without_thin = measure_duplex(picture[:, :480], pitch_mm=0.1)
    assert without_thin.sr_b_mm is None
    assert "SR_b is finer than" in without_thin.why_not


def test_a_sharp_panel_resolves_every_pair() -> None:
    found = measure_duplex(shot(0.012, pitch_mm=0.03, size_mm=(15.0, 64.0)), pitch_mm=0.03)
    assert found.sr_b_mm is None
    assert found.first_unresolved is None
    assert "every pair is resolved: SR_b is finer than 0.05 mm" in found.why_not


def test_wires_along_the_pixels_are_refused() -> None:
    found = measure_duplex(shot(0.06, tilt_deg=0.2), pitch_mm=0.1)
    assert found.sr_b_mm is None
    assert "turn the gauge by 2° to 5°" in found.why_not


def test_much_tilt_and_few_lines_are_remarked_on() -> None:
    found = measure_duplex(shot(0.06, tilt_deg=8.0, length_mm=3.2), pitch_mm=0.1)
    few, tilted = found.remarks
    assert "lines were averaged: 21 or more are usual" in few
    assert "lean by 8.0°" in tilted


def test_nothing_there_says_why() -> None:
    rng = np.random.default_rng(3)
    empty = (20000 + 70 * rng.standard_normal((300, 400))).astype(np.float32)
    found = measure_duplex(empty, pitch_mm=0.1)
    assert found.sr_b_mm is None
    assert found.pairs == ()
    assert "no duplex wire gauge is seen" in found.why_not


def test_a_wrong_pitch_is_no_gauge() -> None:
    # 12 % wrong: wires 2.24 diameters apart, and 1.8 of the next thicker pair.
    found = measure_duplex(shot(0.06), pitch_mm=0.112)
    assert found.sr_b_mm is None
    assert "is pitch_mm right" in found.why_not


def test_the_picture_is_left_alone() -> None:
    picture = shot(0.06)
    before = picture.copy()
    measure_duplex(picture, pitch_mm=0.1)
    assert (picture == before).all()
