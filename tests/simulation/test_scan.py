from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from pipeline.simulation.presets import Preset
from pipeline.simulation.scan import (
    Scene,
    build_scene,
    dark_frames,
    flat_frames,
    flat_shape,
    mean_signal,
    scan_frames,
    simulate_frame,
    true_level,
)


def test_frames_do_not_depend_on_the_workers_and_repeat_with_the_seed(
    scene: Scene, short_preset: Preset
) -> None:
    one = list(scan_frames(scene, workers=1))
    two = list(scan_frames(scene, workers=2))
    again = list(scan_frames(build_scene(short_preset, 7)))
    for a, b, c in zip(one, two, again, strict=True):
        np.testing.assert_array_equal(a, b)
        np.testing.assert_array_equal(a, c)
    other = next(iter(scan_frames(build_scene(short_preset, 8))))
    assert (other != one[0]).mean() > 0.9


def test_frames_can_be_made_one_by_one(scene: Scene) -> None:
    third = list(scan_frames(scene))[2]
    earlier = [mean_signal(scene, scene.stops[index]) for index in (1, 0)]
    np.testing.assert_array_equal(simulate_frame(scene, 2, earlier), third)


def test_plate_has_the_signal_to_noise_ratio_of_the_preset(scene: Scene) -> None:
    # One stop shot twice: what differs is noise.
    index = len(scene.stops) - 1
    signal = mean_signal(scene, scene.stops[index])
    rested = simulate_frame(scene, index).astype(float) - scene.detector.dark
    again = simulate_frame(replace(scene, seed=scene.seed + 1), index).astype(float)
    again -= scene.detector.dark
    plate = np.zeros(signal.shape, dtype=bool)
    plate[40:60] = True  # between the gauges at the border and the cap
    plate &= (scene.detector.classes == 0) & (signal > 0.9 * scene.preset.base_gv)
    noise = np.sqrt(np.var((rested - again)[plate]) / 2)
    ratio = rested[plate].mean() / noise
    expected = scene.preset.snr * np.sqrt(rested[plate].mean() / scene.preset.base_gv)
    # Thousands of pixels: 1 to 2 % of noise on the noise; four deviations and the read noise's
    # part of the variance, 0.8 %, which doesn't follow the square root.
    assert np.count_nonzero(plate) > 2000
    assert ratio == pytest.approx(expected, rel=0.06)


def test_the_tube_ramps_up_before_the_first_good_frame(scene: Scene) -> None:
    levels = [true_level(scene.preset, stop) for stop in scene.stops]
    ramp, first = levels[:2], levels[2]
    assert ramp[0] < ramp[1] < 0.8
    assert first == scene.stops[2].level
    means = [float(frame.mean()) - 300 for frame in scan_frames(scene)]
    # Contrast changes with the voltage, so a whole frame follows plain wall only roughly.
    assert means[1] / means[2] == pytest.approx(ramp[1] / first, rel=0.1)


def test_flats_show_gain_and_beam(scene: Scene) -> None:
    frames = np.stack(list(flat_frames(scene, 1))).astype(float) - scene.detector.dark
    dose = scene.preset.flat_doses_gv[1]
    shape = flat_shape(scene.preset)
    assert shape.max() == pytest.approx(1.0, rel=1e-5)
    assert shape[0, 0] < 0.93  # 25 mm from the middle at 67 mm: (1 + 0.14)^-1.5 = 0.82
    good = scene.detector.classes == 0
    ratio = (frames / (dose * shape * scene.detector.gain))[:, good]
    # Flicker of 0.4 % a frame, lag of 0.3 %, noise averages out over 120,000 pixels.
    np.testing.assert_allclose(ratio.mean(axis=1), 1.0, atol=0.02)
    # Noise at 42,000 GV and less in the corners: 0.5 to 0.6 %.
    assert ratio.std(axis=1).max() < 0.008


def test_darks_show_the_dark(scene: Scene) -> None:
    frames = np.stack(list(dark_frames(scene))).astype(float)
    good = scene.detector.classes == 0
    differs = (frames - scene.detector.dark)[:, good]
    # Read noise of 12 GV over 120,000 pixels: 0.035 GV; four deviations.
    np.testing.assert_allclose(differs.mean(axis=1), 0.0, atol=0.14)
    assert differs.std() == pytest.approx(12.0, rel=0.01)
