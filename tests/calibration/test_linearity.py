"""Curvature of pixels that bend in a known way, and next to none where noise is all there is."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from pipeline.calibration.levels import Level, combine
from pipeline.calibration.linearity import measure_curvature
from pipeline.calibration.product import NoiseModel
from pipeline.errors import CalibrationError

SHAPE = 120, 160
NOISE = NoiseModel(offset=16.0, slope=0.9)
DOSES = (0.25, 0.5, 1.0)
TOP_GV = 20_000.0


def levels_of(
    curvature: np.ndarray | float,
    *,
    doses: tuple[float, ...] = DOSES,
    frames: int = 20,
    noise: bool = True,
    panel: float = 0.0,
) -> tuple[list[Level], np.ndarray]:
    """Mean flats of pixels whose exposure is ``v (1 + (c + panel)(v − v0))``, v0 = 10000 GV."""
    rng = np.random.default_rng(7)
    gain = rng.normal(1, 0.02, SHAPE)
    made = []
    for dose in doses:
        exposure = dose * TOP_GV
        bend = curvature + panel
        v = np.full(SHAPE, exposure)
        for _ in range(20):
            v = exposure / (1 + bend * (v - 10_000))
        signal = gain * v
        if noise:
            signal += rng.normal(0, 1, SHAPE) * np.sqrt((NOISE.offset + 0.9 * signal) / frames)
        image = signal.astype(np.float32)
        made.append(Level(dose, frames, image, float(np.median(image))))
    return made, gain


def measured(levels: list[Level], mode: str = "pixel"):
    good = np.ones(SHAPE, bool)
    gain, _ = combine(levels, NOISE, good)
    return measure_curvature(levels, NOISE, 30, gain, good, mode=mode), gain


def straightened(found, gain: np.ndarray, level: Level) -> np.ndarray:
    v = level.signal / gain
    return v * (1 + found.image * (v - found.reference_gv))


@pytest.mark.parametrize("size", [1e-6, 3e-6])
def test_known_curvatures_come_back(size: float) -> None:
    truth = np.random.default_rng(1).normal(0, size, SHAPE)
    found, gain = measured(levels_of(truth, noise=False, frames=10**7)[0])
    # The truth is written about v0 = 10000 GV, the result about its own reference, where it lets
    # every pixel be right: with κ = reference/v there, c becomes c/κ².
    bend = 1 - 10_000 * truth
    v = (np.sqrt(bend**2 + 4 * truth * found.reference_gv) - bend) / (2 * truth)
    expected = truth * (v / found.reference_gv) ** 2
    # Float32: some 2e-7 over 14 kGV; the panel's median pixel: 1.25 c/√19200 = c/110.
    np.testing.assert_allclose(found.image, expected, atol=size / 40)
    assert found.measured_std == pytest.approx(size, rel=0.06)
    assert found.image.dtype == np.float32
    assert (gain > 0).all()


@pytest.mark.parametrize("dose", DOSES)
def test_corrected_flats_are_flat_at_every_dose(dose: float) -> None:
    truth = np.random.default_rng(1).normal(0, 2e-6, SHAPE)
    levels, _ = levels_of(truth)
    found, gain = measured(levels)
    level = levels[DOSES.index(dose)]
    plain = level.signal / gain / level.median
    better = straightened(found, gain, level) / level.median
    # Only at doses away from v0 is there much to gain; nowhere anything to lose.
    assert better.std() < plain.std() * (0.35 if dose == 0.25 else 1.02)


def test_of_a_straight_panel_next_to_nothing_is_changed() -> None:
    levels, truth = levels_of(0.0)
    found, gain = measured(levels)
    # As scattered as noise says: 19200 pixels, MAD known to 0.8 %, and the model's own roundings.
    assert found.measured_std == pytest.approx(found.noise_std, rel=0.05)
    independent, _ = levels_of(0.0)
    for level in independent:
        bend = found.image * (level.median - found.reference_gv)
        # Shrunk: what is left of it is far below the noise of the gain itself.
        noise = np.std(gain / truth / np.median(gain / truth))
        assert bend.std() < 0.35 * noise


def test_the_panels_own_bend_counts_only_against_doses() -> None:
    levels, _ = levels_of(0.0, panel=2e-6)
    assert measured(levels, "pixel")[0].panel == 0
    found, gain = measured(levels, "dose")
    corrected = [np.median(straightened(found, gain, level)) / level.dose for level in levels]
    # 19200 pixels of SNR 670: medians to 1e-5; second order (c·x)² = 4e-4.
    np.testing.assert_allclose(corrected, np.mean(corrected), rtol=5e-4)
    before = [level.median / level.dose for level in levels]
    assert np.ptp(before) / np.mean(before) > 0.02


def test_the_panels_own_bend_is_not_mixed_with_the_beam_of_another_distance() -> None:
    levels, _ = levels_of(0.0, panel=2e-6, noise=False)
    expected = measured(levels, "dose")[0].panel
    # A fourth level from elsewhere, where the panel's median gets 1 % less of its dose.
    image = (levels[1].signal * np.float32(0.99)).astype(np.float32)
    elsewhere = Level(DOSES[1], 20, image, float(np.median(image)), 1000.0)
    mixed = [replace(level, distance_mm=700.0) for level in levels]
    mixed.insert(2, elsewhere)
    found = measured(mixed, "dose")[0]
    # c is told about the levels' weighted mean, which the fourth moves by some 1000 GV of 10,000:
    # relative, by c times that.
    assert found.panel == pytest.approx(expected, rel=0.02)
    blind = measured([replace(level, distance_mm=None) for level in mixed], "dose")[0]
    assert abs(blind.panel / expected - 1) > 0.05
    with pytest.raises(CalibrationError, match=r"gain\.linearity: .*too many distances.*one dist"):
        measured([replace(one, distance_mm=100.0 * k) for k, one in enumerate(mixed, 1)], "dose")


def test_bad_pixels_are_left_alone_and_none_is_bent_too_far() -> None:
    truth = np.full(SHAPE, 0.0)
    truth[10, 10] = 3e-5
    levels, _ = levels_of(truth)
    good = np.ones(SHAPE, bool)
    good[20, 20] = False
    gain, _ = combine(levels, NOISE, good)
    gain[30, 30] = 0
    found = measure_curvature(levels, NOISE, 30, gain, good, mode="pixel")
    assert found.image[20, 20] == found.image[30, 30] == 0
    assert np.abs(found.image).max() * 10_000 <= 0.25


@pytest.mark.parametrize(
    ("doses", "mode"), [((1.0,), "pixel"), ((0.5, 1.0), "dose"), ((0.8, 0.9, 1.0), "pixel")]
)
def test_too_few_or_too_near_doses_are_refused(doses: tuple[float, ...], mode: str) -> None:
    with pytest.raises(CalibrationError, match=r"gain\.linearity: .* dose levels.*more doses"):
        measured(levels_of(0.0, doses=doses)[0], mode)
