from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np
import pytest

from pipeline.errors import InputError
from pipeline.model import PixelClass
from pipeline.simulation.panel_exposures import (
    LEAK_GV,
    OBJECT_PASSES,
    SPOILT_FRAME,
    PanelScene,
    build_panel,
    dark_exposures,
    dust_passes,
    flat_exposures,
    gauge_exposures,
    object_place,
    step_off_exposures,
)
from pipeline.simulation.panel_plan import Fault, get_faults
from tests.simulation.panels import SMALL

Frames = Iterator[np.ndarray]


@pytest.fixture(scope="module")
def scene() -> PanelScene:
    return build_panel(SMALL, 3)


@pytest.fixture(scope="module")
def faulty() -> PanelScene:
    return build_panel(SMALL, 3, tuple(Fault))


def mean(frames: Frames) -> np.ndarray:
    return np.mean([frame.astype(np.float64) for frame in frames], axis=0)


def ordinary(scene: PanelScene) -> np.ndarray:
    usual = scene.detector.classes == 0
    usual.ravel()[scene.hot] = False
    return usual


def test_darks_are_offset_and_leakage(scene: PanelScene) -> None:
    usual = ordinary(scene)
    for index, dark in enumerate(SMALL.darks):
        found = mean(dark_exposures(scene, index))
        truth = scene.mean_dark(dark.temperature_c, dark.frame_time_s)
        error = (found - truth)[usual]
        leaked = float(np.median(scene.leaked(dark.temperature_c, dark.frame_time_s)))
        # Read noise, the leaked charge's own, and rounding; the scatter of 150,000 pixels.
        sigma = np.sqrt((12.0**2 + 0.9 * leaked + 1 / 12) / dark.frames)
        assert error.std() == pytest.approx(sigma, rel=0.02)
        assert abs(error.mean()) < 4 * sigma / np.sqrt(error.size)


def test_leakage_doubles_with_temperature_and_grows_with_time(scene: PanelScene) -> None:
    assert np.median(scene.leaked(22.0, 2.0)) == pytest.approx(20.0, rel=0.01)
    np.testing.assert_allclose(scene.leaked(30.0, 2.0), 2 * scene.leaked(22.0, 2.0), rtol=1e-6)
    np.testing.assert_allclose(scene.leaked(22.0, 5.0), 2.5 * scene.leaked(22.0, 2.0), rtol=1e-6)
    drift = scene.mean_dark(32.0, 0.0) - scene.mean_dark(22.0, 0.0)
    np.testing.assert_allclose(drift, 8.0, atol=1e-3)  # float32 of some 300 GV


def test_hot_pixels_are_quiet_when_cool_and_noisy_when_hot(scene: PanelScene) -> None:
    assert scene.hot.size == round(2e-4 * 224 * 704)
    assert (scene.detector.classes.ravel()[scene.hot] == 0).all()
    usual = ordinary(scene)
    for index, low, high in ((0, 1.0, 6.0), (1, 6.0, 40.0)):
        frames = np.stack([f.astype(np.float64) for f in dark_exposures(scene, index)])
        spread = frames.std(axis=0, ddof=1)
        ratio = np.median(spread.ravel()[scene.hot]) / np.median(spread[usual])
        assert low < ratio < high


def test_flats_are_beam_gain_curvature_and_lag(scene: PanelScene) -> None:
    usual = ordinary(scene)
    truth = scene.mean_dark(22.0, 2.0)
    for index, flat in enumerate(SMALL.flats):
        dose = scene.beam(flat.source_distance_mm).astype(np.float64) * flat.level_gv
        signal = dose * scene.detector.gain
        curvature = scene.detector.curvature.reshape(SMALL.shape)
        signal *= 1 + curvature * (signal / 20000 - 1)
        signal *= 1 + (0.004 + 0.0015) * SMALL.detector.lag_share(SMALL.columns)
        found = mean(flat_exposures(scene, index)) - truth
        ratio = (found / signal)[usual]
        sigma = np.sqrt((162 + 0.9 * flat.level_gv) / flat.frames) / flat.level_gv
        # The tube's flicker of 0.3 % over 8 to 10 frames; the pixels' own scatter about that.
        assert ratio.mean() == pytest.approx(1.0, abs=4 * 0.003 / np.sqrt(8))
        assert ratio.std() == pytest.approx(sigma, rel=0.1)


def test_the_beam_falls_off_with_distance_and_leans(scene: PanelScene) -> None:
    near, far = scene.beam(700.0), scene.beam(1000.0)
    assert near[111:113, 351:353] == pytest.approx(1.0, abs=1e-3)
    # At the ends u = ±35.15 mm: (1 + (u/f)²)^−1.5 · (1 ± 0.08·u/f).
    for image, distance in ((near, 700.0), (far, 1000.0)):
        tangent = 35.15 / distance
        plain = (1 + tangent**2) ** -1.5
        assert image[112, 0] == pytest.approx(plain * (1 - 0.08 * tangent), rel=1e-5)
        assert image[112, -1] == pytest.approx(plain * (1 + 0.08 * tangent), rel=1e-5)


def test_most_pixels_bend_a_little_and_odd_ones_much(scene: PanelScene) -> None:
    curved = (scene.detector.classes & PixelClass.NON_UNIFORM).ravel() != 0
    usual = scene.detector.curvature[~curved]
    assert usual.mean() == pytest.approx(-0.004, abs=1e-5)
    assert usual.std() == pytest.approx(0.0005, rel=0.02)
    assert np.abs(scene.detector.curvature[curved]).min() > 0.05


def test_lag_shows_after_the_beam_and_is_stronger_at_one_side(scene: PanelScene) -> None:
    frames = [frame.astype(np.float64) for frame in step_off_exposures(scene)]
    assert len(frames) == 16
    dark = scene.mean_dark(22.0, 2.0)
    usual = ordinary(scene)
    lit = (frames[0] - dark)[usual].mean()
    left = [(frame - dark)[usual].mean() / lit for frame in frames[4:]]
    # A mean of 150,000 pixels: 13 GV/√150000 of 20,000 is 2e-6; lit frames hold 0.55 % lag.
    assert left[0] == pytest.approx(0.0055 / 1.0055, rel=0.01)
    assert left[1] == pytest.approx(0.0015 / 1.0055, rel=0.02)
    assert np.abs(left[2:]).max() < 1e-5
    sides = [
        (frames[4] - dark)[:, part][usual[:, part]].mean() for part in (np.s_[:70], np.s_[-70:])
    ]
    lit_sides = [
        (frames[0] - dark)[:, part][usual[:, part]].mean() for part in (np.s_[:70], np.s_[-70:])
    ]
    # 1 ∓ 0.2·0.9 in the middle of the outer tenths.
    ratio = (sides[1] / lit_sides[1]) / (sides[0] / lit_sides[0])
    assert ratio == pytest.approx(1.18 / 0.82, rel=0.02)


@pytest.mark.parametrize("kind", ["duplex_wire", "dot_grid", "step_wedge"])
def test_gauges_are_shot_in_the_beam(scene: PanelScene, kind: str) -> None:
    frames = list(gauge_exposures(scene, kind))
    assert len(frames) == SMALL.gauge_frames
    usual = ordinary(scene)
    corrected = (mean(iter(frames)) - scene.mean_dark(22.0, 2.0)) / scene.detector.gain
    corrected /= scene.beam(700.0) * 30000
    plate, duplex, wedge = SMALL.dot_plate, SMALL.duplex, SMALL.step_wedge
    dose = {
        "duplex_wire": lambda: duplex.dose(SMALL.shape, 0.1, 0.6, SMALL.kv),
        "dot_grid": lambda: plate.dose(SMALL.shape, 0.1, 0.6),
        "step_wedge": lambda: wedge.dose(SMALL.shape, 0.6, SMALL.kv),
    }[kind]()
    error = (corrected - dose)[usual]
    # Noise 0.3 % at the bare beam over 4 frames, lag 0.55 %, curvature 0.4 % of the bare beam.
    assert error.std() < 0.005
    assert abs(error.mean()) < 0.006


def test_the_same_seed_gives_the_same_frames(scene: PanelScene) -> None:
    again = build_panel(SMALL, 3)
    other = build_panel(SMALL, 4)
    first, same, different = (next(dark_exposures(one, 0)) for one in (scene, again, other))
    assert (first == same).all()
    assert (first != different).any()


def test_a_fault_spoils_what_it_should_and_nothing_else(scene: PanelScene) -> None:
    """All random numbers stay as they are, so spoilt frames differ where they are spoilt only."""

    def frames(fault: Fault, shots: object, index: int) -> list[tuple[np.ndarray, np.ndarray]]:
        assert callable(shots)
        spoilt = build_panel(SMALL, 3, [fault])
        return list(zip(shots(spoilt, index), shots(scene, index), strict=True))

    usual = ordinary(scene)
    for index in (0, 1):
        for number, (bad, good) in enumerate(frames(Fault.LIGHT_LEAK, dark_exposures, index)):
            if (index, number) != (0, SPOILT_FRAME):
                assert (bad == good).all()
            else:
                light = bad.astype(float) - good
                assert np.median(light[:, :5][usual[:, :5]]) == pytest.approx(LEAK_GV, rel=0.1)
                assert abs(np.median(light[:, -50:])) < 2
    rows, columns = object_place(SMALL)
    for index in (0, 1):
        for number, (bad, good) in enumerate(frames(Fault.OBJECT, flat_exposures, index)):
            inside = np.s_[rows, columns]
            ratio = (bad[inside] - 320.0) / (good[inside] - 320.0)
            expected = OBJECT_PASSES if (index, number) == (0, SPOILT_FRAME) else 1.0
            assert np.median(ratio) == pytest.approx(expected, abs=0.01)
            outside = np.s_[rows.stop + 5 :]
            assert (bad[outside] == good[outside]).all()
    for index in (0, 1):
        for bad, good in frames(Fault.DUST, flat_exposures, index):
            assert (bad != good).any() == (index == 1)
    for index in (0, len(SMALL.darks) - 1):
        pairs = frames(Fault.AFTERGLOW, dark_exposures, index)
        left = [float(np.median(bad.astype(float) - good)) for bad, good in pairs]
        if index == 0:
            assert not any(left)
        else:  # 40,000 GV · (0.55 %, 0.15 %, nothing)
            assert left[:3] == pytest.approx([220.0, 60.0, 0.0], abs=6)


def test_dust_lies_where_the_truth_says(faulty: PanelScene) -> None:
    passes = dust_passes(faulty)
    assert len(faulty.dust) == 6
    for speck in faulty.dust:
        there = passes[round(speck.row), round(speck.column)]
        assert there <= 1 - speck.absorbs + 1e-6  # two specks may overlap
    area = sum(np.pi / 4 * (speck.diameter_px + 1) ** 2 for speck in faulty.dust)
    assert 0 < np.count_nonzero(passes < 1) < 1.3 * area


def test_gain_rolls_off_at_the_edges_only(scene: PanelScene, faulty: PanelScene) -> None:
    ratio = faulty.detector.gain / scene.detector.gain
    assert ratio[112, 352] == pytest.approx(1.0, abs=1e-3)
    assert ratio[56:168, 176:528].min() > 0.97
    assert ratio[0, 0] == pytest.approx(0.55, abs=1e-3)
    assert ratio[112, 0] == pytest.approx(0.775, abs=1e-3)
    assert (faulty.detector.classes == scene.detector.classes).all()


def test_a_panel_too_small_is_refused() -> None:
    with pytest.raises(ValueError, match="too small"):
        build_panel(replace(SMALL, rows=40), 1)


def test_faults_have_names() -> None:
    assert get_faults([]) == ()
    assert get_faults(["roll_off", "dust", "dust"]) == (Fault.DUST, Fault.ROLL_OFF)
    assert all(fault.about for fault in Fault)
    with pytest.raises(InputError, match=r"no fault 'dist'; expected one of dust, object.*'dust'"):
        get_faults(["dist"])
    with pytest.raises(InputError, match="--fault dust is for the preset panel, not for 'small'"):
        get_faults(["dust"], "small")
