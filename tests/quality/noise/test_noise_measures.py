"""SNR and SNR_N beside a weld against Poisson's closed form: in the strip and in its frames."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from pipeline.model import Frame
from pipeline.quality.noise.frame_noise import measure_frame_noise
from pipeline.quality.noise.noise_measures import measure_noise
from pipeline.quality.noise.windows import WindowPlan, Zone
from tests.quality.plain_welds import PLATE_QUANTA, PlainWeld, plain_weld

PLAN = WindowPlan(groups=55, group=20, every_mm=10.0)
SR_B_MM = 0.1


@pytest.fixture(scope="module")
def weld() -> PlainWeld:
    return plain_weld()


def test_the_strip_s_snr_n_is_that_of_the_quanta(weld: PlainWeld) -> None:
    """Within 1.5 %, half of what is asked: some 90 windows of 2.8 % each leave 0.3 %, rounding to
    whole gray values adds 1/12 to a variance of 4,500, and the phases over 2 mm aren't quite all
    of them: 1 %."""
    found = measure_noise(weld.values, None, None, None, weld.grid, sr_b_mm=SR_B_MM, plan=PLAN)
    right = weld.snr() * 0.088623 / SR_B_MM
    assert len(found.places) > 80
    assert found.why_not == ""
    assert found.typical_snr_n == pytest.approx(right, rel=0.015)
    assert found.snr_n_without_surface == pytest.approx(right, rel=0.03)
    assert {(place.window.side, place.window.zone) for place in found.places} == {
        (side, zone) for side in (-1, 1) for zone in Zone
    }


def test_without_the_correction_a_strip_looks_better_than_it_is(weld: PlainWeld) -> None:
    """1/√0.6764 = 1.216: by which SNR of a strip pixel exceeds a panel pixel's."""
    found = measure_noise(weld.values, None, None, None, weld.grid, sr_b_mm=SR_B_MM, plan=PLAN)
    assert found.resampling_left == pytest.approx(0.6764, abs=1e-4)
    ratio = np.median([place.snr for place in found.places]) / weld.snr()
    assert ratio == pytest.approx(1.216, rel=0.015)
    for place in found.places[:5]:
        assert place.snr_white == pytest.approx(place.snr * np.sqrt(found.resampling_left))


def test_windows_are_spread_as_their_uncertainty_says(weld: PlainWeld) -> None:
    """Some 90 windows tell their spread to 8 %, trebled; and 30 % more than neighbours' phases."""
    found = measure_noise(weld.values, None, None, None, weld.grid, sr_b_mm=SR_B_MM, plan=PLAN)
    values = np.array([place.snr for place in found.places])
    told = float(np.median([place.snr_sigma for place in found.places]))
    assert values.std() == pytest.approx(told, rel=0.35)


def test_stretches_have_the_mean_and_its_uncertainty(weld: PlainWeld) -> None:
    found = measure_noise(weld.values, None, None, None, weld.grid, sr_b_mm=SR_B_MM, plan=PLAN)
    stretches = found.stretches(60.0)
    right = weld.snr() * 0.088623 / SR_B_MM
    assert len(stretches) == 4
    assert sum(one.windows for one in stretches) == len(found.places)
    for one in stretches:
        assert one.snr_n == pytest.approx(right, abs=4 * one.sigma + 0.01 * right)
        assert one.sigma < 0.012 * right


def test_a_frame_s_snr_n_is_that_of_its_quanta(weld: PlainWeld) -> None:
    """As the strip's but white: 0.5 % for 90 windows in three frames."""
    whole = measure_noise(weld.values, None, None, None, weld.grid, sr_b_mm=SR_B_MM, plan=PLAN)
    windows = tuple(place.window for place in whole.places)
    found = [
        one
        for frame, placed in weld.frames
        for one in measure_frame_noise(
            frame, placed, windows, weld.grid, sr_b_mm=SR_B_MM, group=PLAN.group
        )
    ]
    assert len(found) == 3 * len(windows)
    right = np.sqrt(PLATE_QUANTA) * 0.088623 / SR_B_MM
    assert np.median([one.snr_n or 0.0 for one in found]) == pytest.approx(right, rel=0.005)
    assert np.mean([one.mean_gv for one in found]) == pytest.approx(PLATE_QUANTA, rel=0.001)


def test_bad_pixels_and_windows_off_the_frame_are_left_out(weld: PlainWeld) -> None:
    whole = measure_noise(weld.values, None, None, None, weld.grid, sr_b_mm=SR_B_MM, plan=PLAN)
    windows = tuple(place.window for place in whole.places)
    frame, placed = weld.frames[0]
    flags = frame.flags.copy()
    flags[:, ::20] = 1  # one in every group
    spoilt = Frame(0, frame.values, flags)
    left = measure_frame_noise(spoilt, placed, windows, weld.grid, sr_b_mm=None, group=20)
    assert left == ()
    elsewhere = replace(placed, first=weld.grid.columns - 300)
    few = measure_frame_noise(frame, elsewhere, windows, weld.grid, sr_b_mm=None, group=20)
    assert 0 < len(few) < len(windows) / 5
    assert all(one.window.s_mm > 210 and one.snr_n is None for one in few)


def test_the_metal_s_surface_counts_and_is_named() -> None:
    """Grains of 0.4 % with an autocorrelation of 1/e at 7 pixels; noise is 1/245 on the panel.

    Line by line they count, as in the standard's way; the noise without them is the quanta's to
    3 %: the Gaussians' choice, statistics of 150,000 pixels, and nearest-pixel grains.
    """
    rng = np.random.default_rng(4)
    grains = gaussian_filter(rng.normal(0, 1, (360, 2400)), 3.5)
    grains *= 0.004 / grains.std()
    weld = plain_weld(seed=2, grains=1 + grains)
    found = measure_noise(weld.values, None, None, None, weld.grid, sr_b_mm=SR_B_MM, plan=PLAN)
    right = weld.snr() * 0.088623 / SR_B_MM
    assert found.typical_snr_n is not None
    assert found.texture is not None
    assert found.typical_snr_n < 0.9 * right
    assert found.snr_n_without_surface == pytest.approx(right, rel=0.03)
    # What a mean and a tilt leave of the grains in a window of 28 by 40: some 80 %. Noise of a
    # strip pixel is 0.6764/245². The part is told to 0.05 by 150 grains a window, 90 windows.
    left = np.mean([np.var(grains[place.window.pixels]) for place in found.places])
    noise = 0.6764 / weld.snr() ** 2
    assert left / (left + noise) - 0.08 < found.texture.structure_part < left / (left + noise)


def test_the_dose_that_it_takes(weld: PlainWeld) -> None:
    """On plain metal twice the SNR takes four times the dose; 3 % of noise and 1.5 % of SNR_N are
    9 % of it."""
    found = measure_noise(weld.values, None, None, None, weld.grid, sr_b_mm=SR_B_MM, plan=PLAN)
    typical = found.typical_snr_n
    assert typical is not None
    assert found.dose_factor(2 * typical) == pytest.approx(4, rel=0.2)
    assert found.dose_factor(typical) == pytest.approx(1, rel=0.05)


def test_no_dose_mends_the_metal_s_surface() -> None:
    """Grains of 0.8 % show in a line of 20 as some 0.5 %: above SNR_N 0.886/0.005 = 180 no dose
    will do, however large; for what is there already it takes none more."""
    rng = np.random.default_rng(5)
    grains = gaussian_filter(rng.normal(0, 1, (360, 2400)), 3.5)
    weld = plain_weld(seed=3, grains=1 + 0.008 * grains / grains.std())
    found = measure_noise(weld.values, None, None, None, weld.grid, sr_b_mm=SR_B_MM, plan=PLAN)
    typical = found.typical_snr_n
    assert typical is not None
    assert found.dose_factor(typical) == pytest.approx(1, rel=0.01)
    assert (found.dose_factor(1.1 * typical) or 0.0) > 1.3
    assert found.dose_factor(300.0) == np.inf


def test_what_the_maps_say_stands_beside(weld: PlainWeld) -> None:
    """Noise in quarters of a gray value, rounded: 0.3 % at most."""
    sigma = np.rint(np.sqrt(weld.values / 3.0 * 0.6764) / 0.25).astype(np.uint16)
    count = np.full(weld.values.shape, 3, np.uint8)
    found = measure_noise(
        weld.values,
        sigma,
        count,
        None,
        weld.grid,
        sr_b_mm=None,
        plan=PLAN,
        sigma_scale=0.25,
    )
    assert found.typical_snr_n is None
    assert found.snr_n_without_surface is None
    assert found.stretches(100.0) == ()
    place = found.places[0]
    assert place.frames == 3
    assert place.predicted_snr == pytest.approx(weld.snr() / np.sqrt(0.6764), rel=0.005)


def test_a_picture_that_was_not_resampled() -> None:
    """One frame, seen as it is: SNR and its white one are the same."""
    rng = np.random.default_rng(6)
    weld = plain_weld(frames=1)
    z_mm = weld.grid.z_first_mm + np.arange(360) * 0.1
    seen = PLATE_QUANTA * np.exp(-0.12 * np.maximum(1 - (z_mm / 5) ** 2, 0))
    values = rng.poisson(np.repeat(seen[:, np.newaxis], 2400, axis=1)).astype(np.uint16)
    found = measure_noise(
        values, None, None, None, weld.grid, sr_b_mm=SR_B_MM, plan=PLAN, resampled=False
    )
    assert found.resampling_left == 1.0
    right = np.sqrt(PLATE_QUANTA)
    assert np.median([place.snr for place in found.places]) == pytest.approx(right, rel=0.01)
    assert found.places[0].snr == found.places[0].snr_white


def test_no_weld_or_no_room_is_said() -> None:
    weld = plain_weld(rows=130, columns=600)
    found = measure_noise(weld.values, None, None, None, weld.grid, sr_b_mm=SR_B_MM, plan=PLAN)
    assert found.places == ()
    assert "no window of 55 groups of 20 pixels" in found.why_not
    empty = np.zeros_like(weld.values)
    nothing = measure_noise(empty, None, None, None, weld.grid, sr_b_mm=SR_B_MM, plan=PLAN)
    assert "no weld stands out" in nothing.why_not
    assert nothing.texture is None
