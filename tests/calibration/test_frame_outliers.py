"""Frames that don't belong to their set are found and named; what scatters naturally is not."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.calibration.frame_outliers import (
    odd_darks,
    odd_flats,
    require_alike,
    require_one_kind,
)
from pipeline.calibration.sketch import Sketch
from pipeline.errors import CalibrationError

CELLS = Sketch(384, 512)


def darks(frames: int, seed: int = 1, drift_gv: float = 0.0) -> np.ndarray:
    """Raw darks of 12 GV noise, each drifting from the one before."""
    rng = np.random.default_rng(seed)
    fixed = rng.normal(300, 6, (384, 512))
    return np.stack(
        [
            np.rint(fixed + k * drift_gv + rng.normal(0, 12, fixed.shape)).astype(np.uint16)
            for k in range(frames)
        ]
    )


def sketches(frames: np.ndarray) -> np.ndarray:
    return np.stack([CELLS.of(frame) for frame in frames])


@pytest.mark.parametrize("shape", [(64, 64), (40, 70), (384, 512), (1152, 1536), (17, 33)])
def test_a_sketch_is_what_its_cells_show(shape: tuple[int, int]) -> None:
    cells = Sketch(*shape)
    image = np.add.outer(np.arange(shape[0]) // 7, np.arange(shape[1]) // 5).astype(np.float32)
    image[3, 4] = 1e6  # one pixel says nothing
    found = cells.of(image)
    assert found.shape == cells.shape
    row, column = cells.centre((0, 0))
    # Steps of 1 every 5 and 7 pixels: the middle half's mean lies within two steps of the centre.
    assert abs(found[0, 0] - image[row, column]) < 2


@pytest.mark.parametrize("seed", range(8))
def test_alike_darks_are_all_kept(seed: int) -> None:
    assert odd_darks(sketches(darks(12, seed)), CELLS) == {}


def test_a_panel_that_warms_up_is_no_outlier() -> None:
    assert odd_darks(sketches(darks(12, drift_gv=1.5)), CELLS) == {}


@pytest.mark.parametrize("leak_gv", [8, 40, 3000])
def test_a_light_leak_is_named_with_its_place(leak_gv: int) -> None:
    frames = darks(10)
    frames[6, 250:330, 400:480] += np.uint16(leak_gv)
    found = odd_darks(sketches(frames), CELLS)
    assert list(found) == [6]
    assert found[6].startswith("light_leak: up to ")
    words = found[6].replace(",", "").split()
    row, column = int(words[words.index("row") + 1]), int(words[words.index("column") + 1])
    assert 250 <= row < 330 and 400 <= column < 480


def test_afterglow_of_the_first_frames_is_named_so() -> None:
    frames = darks(12)
    for k, left in enumerate((90, 30, 12)):
        frames[k] += np.uint16(left)
    found = odd_darks(sketches(frames), CELLS)
    assert list(found) == [0, 1, 2]
    assert all(why.startswith("afterglow: up to ") for why in found.values())


def test_a_darker_frame_has_another_level() -> None:
    frames = darks(6)
    frames[3] -= 50
    assert odd_darks(sketches(frames), CELLS)[3].startswith("other_level: up to ")


def test_spikes_are_left_to_the_robust_mean() -> None:
    frames = darks(6)
    frames[2, ::37, ::41] = 65_535
    assert odd_darks(sketches(frames), CELLS) == {}


@pytest.mark.parametrize("count", [1, 2])
def test_of_two_none_can_be_judged(count: int) -> None:
    frames = darks(2)
    frames[0] += 500
    assert odd_darks(sketches(frames[:count]), CELLS) == {}
    assert odd_flats(sketches(frames[:count]), CELLS) == {}


def flats(frames: int = 8, tube_std: float = 0.03) -> np.ndarray:
    rng = np.random.default_rng(5)
    y, x = np.mgrid[-1:1:384j, -1:1:512j]
    shape = 20_000 * (1 + 0.35 * x**2 + 0.25 * y**2) ** -1.5 * rng.normal(1, 0.02, x.shape)
    return np.stack(
        [
            shape * (1 + tube_std * rng.standard_normal()) + rng.normal(0, 130, x.shape)  # SNR 150
            for _ in range(frames)
        ]
    )


def test_the_tubes_scatter_is_no_outlier() -> None:
    assert odd_flats(sketches(flats(tube_std=0.05)), CELLS) == {}


@pytest.mark.parametrize("share", [0.6, 1.5])
def test_another_dose_is_named(share: float) -> None:
    frames = flats()
    frames[4] *= share
    found = odd_flats(sketches(frames), CELLS)
    assert list(found) == [4]
    # The tube's scatter is in both: 3 % each.
    assert found[4].startswith("other_dose: its signal is ")
    assert float(found[4].split()[4]) == pytest.approx(share, rel=0.15)


@pytest.mark.parametrize("loss", [0.03, 0.8])
def test_a_shadow_in_one_flat_is_named_with_its_place(loss: float) -> None:
    frames = flats()
    frames[2, 100:200, 40:180] *= 1 - loss
    found = odd_flats(sketches(frames), CELLS)
    assert list(found) == [2]
    assert "darker than the others, near row 1" in found[2]


def test_flats_without_signal_are_left_to_others() -> None:
    assert odd_flats(-sketches(flats()), CELLS) == {}
    # Darks in the flats' folder: of a median of nothing, every frame would be another part.
    off = sketches(darks(6)) - sketches(darks(40)).mean(axis=0)
    assert odd_flats(off, CELLS) == {}


def test_a_mixed_set_is_refused_by_name() -> None:
    names = [f"dark/{k}.tif" for k in range(6)]
    require_one_kind({0: "x", 5: "y"}, names, "darks")
    with pytest.raises(CalibrationError, match=r"darks: 3 of 6 frames .*dark/0\.tif: x; .*own"):
        require_one_kind({0: "x", 3: "y", 5: "z"}, names, "darks")


def test_darks_with_afterglow_are_to_be_shot_again_after_a_rest() -> None:
    names = [f"dark/{k}.tif" for k in range(6)]
    fading = dict.fromkeys((0, 1, 2), "afterglow: up to 40 GV")
    with pytest.raises(CalibrationError, match=r"Let the panel rest .* shoot these darks again"):
        require_one_kind(fading, names, "darks")
    with pytest.raises(CalibrationError, match="folders of their own"):
        require_one_kind(fading | {3: "light_leak: x"}, names, "darks")


def test_two_flats_that_differ_are_refused() -> None:
    require_alike(np.array([100.0, 119.0]), ["a", "b"], "flats")
    with pytest.raises(CalibrationError, match="flats: the signals of a and b are 100 and 130 GV"):
        require_alike(np.array([100.0, 130.0]), ["a", "b"], "flats")
