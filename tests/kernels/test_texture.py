"""A frame's fine structure, apart from its level and slow shading."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.kernels.texture import texture_of

USUAL = {"floor": 10.0, "background_px": 13, "blur_px": 1.0}


def noise(shape: tuple[int, int] = (64, 96)) -> np.ndarray:
    return np.random.default_rng(1).uniform(500, 1500, shape).astype(np.float32)


@pytest.mark.parametrize("level", [0.37, 41.0])
def test_a_frames_level_drops_out_of_the_texture_and_stays_in_the_logarithm(level: float) -> None:
    values = noise()
    fine, logs = texture_of(values, **USUAL)
    fine_bright, logs_bright = texture_of(values * np.float32(level), **USUAL)
    # Logarithms near 7 … 11 as float32, each good to 5e-7; smoothing only averages them.
    np.testing.assert_allclose(fine_bright, fine, atol=4e-6)
    np.testing.assert_allclose(logs_bright - logs, np.log(level), atol=4e-6)


def test_a_flat_picture_has_no_texture() -> None:
    fine, logs = texture_of(np.full((40, 52), 777, np.float32), **USUAL)
    np.testing.assert_allclose(fine, 0, atol=2e-6)
    np.testing.assert_allclose(logs, np.log(777), atol=2e-6)


@pytest.mark.parametrize("floor", [1.0, 50.0, 600.0])
def test_values_below_the_floor_count_as_the_floor(floor: float) -> None:
    values = noise()
    values[10:20, 10:20] = [[-5.0, 0.0] * 5] * 10
    expected = texture_of(np.maximum(values, np.float32(floor)), **{**USUAL, "floor": floor})
    found = texture_of(values, **{**USUAL, "floor": floor})
    for image, twin in zip(found, expected, strict=True):
        assert np.isfinite(image).all()
        np.testing.assert_array_equal(image, twin)


def test_the_logarithm_comes_along() -> None:
    values = noise((61, 47))
    _, logs = texture_of(values, **USUAL)
    np.testing.assert_allclose(logs, np.log(values), rtol=1e-6)


@pytest.mark.parametrize("shape", [(64, 96), (63, 97), (61, 47), (5, 4), (3, 3)])
def test_texture_has_its_pictures_shape_and_the_picture_is_left_alone(
    shape: tuple[int, int],
) -> None:
    values = noise(shape)
    before = values.copy()
    fine, logs = texture_of(values, **USUAL)
    assert fine.shape == logs.shape == shape and fine.dtype == np.float32
    np.testing.assert_array_equal(values, before)


@pytest.mark.parametrize("blur_px", [0.8, 1.0, 1.6])
def test_fine_waves_pass_as_the_blur_lets_them(blur_px: float) -> None:
    column = np.arange(160)
    wave = np.exp(0.01 * np.cos(2 * np.pi * column / 8))
    values = np.broadcast_to(1000 * wave, (80, 160)).astype(np.float32)
    fine, _ = texture_of(values, floor=1, background_px=13, blur_px=blur_px)
    middle = fine[40, 40:120]
    amplitude = np.abs(np.mean(middle * np.exp(2j * np.pi * np.arange(80) / 8))) * 2
    # A Gaussian's transfer; sampled kernels differ from it by a percent.
    left = 1 - running_mean(13, 1 / 8) ** 2
    gaussian = np.exp(-2 * (np.pi * blur_px / 8) ** 2)
    assert amplitude == pytest.approx(0.01 * left * gaussian, rel=0.015)


def running_mean(width: int, frequency: float) -> float:
    """The transfer of a mean over so many samples (Dirichlet's kernel)."""
    return float(np.sin(np.pi * width * frequency) / (width * np.sin(np.pi * frequency)))


@pytest.mark.parametrize("background_px", [9, 13, 25])
def test_slow_waves_are_taken_away_as_the_background_follows_them(background_px: int) -> None:
    column, period = np.arange(480), 80
    values = np.broadcast_to(1000 * np.exp(0.01 * np.cos(2 * np.pi * column / period)), (80, 480))
    fine, _ = texture_of(values.astype(np.float32), floor=1, background_px=background_px, blur_px=1)
    middle = fine[40, 120:360]
    amplitude = np.abs(np.mean(middle * np.exp(2j * np.pi * np.arange(240) / period))) * 2
    left = 1 - running_mean(background_px, 1 / period) ** 2
    gaussian = np.exp(-2 * (np.pi / period) ** 2)
    # The wave is 1 % of a logarithm near 7: float32 is good to 5e-7.
    assert amplitude == pytest.approx(0.01 * left * gaussian, rel=0.005, abs=2e-6)


def test_what_lies_beyond_the_backgrounds_reach_changes_nothing() -> None:
    """Two pictures of the same metal, one of which sees more of it: alike 12 + 4 px from its end,
    at any phase of whatever grid."""
    whole = noise((64, 120))
    whole[:, 60:] *= 3  # a strong edge beside the end
    for end in (61, 64, 67):
        part, more = (texture_of(whole[:, :n], **USUAL)[0] for n in (end, 120))
        reach = end - 12 - 4  # the Gaussian's kernel ends at 4
        np.testing.assert_allclose(part[:, :reach], more[:, :reach], atol=2e-6)
        assert np.abs(part[:, reach:] - more[:, reach:end]).max() > 1e-3
