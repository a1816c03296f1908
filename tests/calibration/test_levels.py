"""Dose levels: clipping, and the gain that several levels make together."""

import numpy as np
import pytest

from pipeline.calibration.levels import (
    Level,
    clipped_pixels,
    combine,
    make_level,
    require_bright,
    several_doses,
)
from pipeline.calibration.product import NoiseModel
from pipeline.errors import CalibrationError

NOISE = NoiseModel(offset=16, slope=0.9)
SHAPE = 30, 40


def level(median_gv, dose=None, frames=10, image=None):
    signal = np.full(SHAPE, median_gv, np.float32) if image is None else image
    return Level(dose, frames, signal.astype(np.float32), float(median_gv))


def test_darks_as_bright_as_flats_are_refused():
    dark = np.full(SHAPE, 900, np.float32)
    with pytest.raises(CalibrationError, match=r"flats at dose 3: the darks.*900.*exchanged"):
        make_level(3.0, 4, dark - 5, dark)


@pytest.mark.parametrize(("saturation_gv", "hit"), [(65_000, True), (65_200, False)])
def test_clipping_counts_noise_that_reaches_saturation(saturation_gv, hit):
    mean, variance = np.full(SHAPE, 20_000, np.float32), np.full(SHAPE, 100, np.float32)
    mean[3, 3] = 64_975  # + 3·10 GV
    found = clipped_pixels(mean, variance, saturation_gv, "flats")
    assert found[3, 3] == hit
    assert np.count_nonzero(found) == hit


def test_a_saturated_panel_is_refused():
    mean = np.full(SHAPE, 20_000, np.float32)
    mean[:, 0] = 65_535
    with pytest.raises(CalibrationError, match=r"saturated: 2.5 % .* 65000 GV.*less dose"):
        clipped_pixels(mean, np.zeros_like(mean), 65_000, "flats")


@pytest.mark.parametrize(("median_gv", "frames", "fine"), [(100, 10, True), (100, 1, False)])
def test_flats_must_stand_out_of_their_noise(median_gv, frames, fine):
    # SNR of one frame: 100/√(16 + 90) = 9.7; of ten 30.7.
    dim = level(median_gv, frames=frames)
    if fine:
        require_bright(dim, NOISE)
        return
    with pytest.raises(CalibrationError, match=r"too dark: 100.0 GV.* 9.7 times.*more dose"):
        require_bright(dim, NOISE)


@pytest.mark.parametrize(("ratio", "expected"), [(1.2, False), (2.0, True)])
def test_levels_close_together_do_not_tell_a_constant_pixel(ratio, expected):
    assert several_doses([level(1000, 1), level(1000 * ratio, 2)]) == expected


def test_gain_is_the_noise_weighted_mean_with_median_one():
    rng = np.random.default_rng(2)
    truth = rng.normal(1, 0.1, SHAPE)
    truth /= np.median(truth)
    good = np.ones(SHAPE, bool)
    images = [4000 * truth * 1.01, 16_000 * truth]
    images[0][0, 0] *= 1.02
    gain, relative = combine(
        [level(np.median(image), frames=10, image=image) for image in images], NOISE, good
    )
    inverse = [10 * s**2 / (16 + 0.9 * s) for s in (4040, 16_000)]
    share = inverse[0] / sum(inverse)
    truth[0, 0] *= 1 + 0.02 * share
    np.testing.assert_allclose(gain, truth, rtol=1e-5)  # float32 images
    assert relative == pytest.approx(sum(inverse) ** -0.5, rel=1e-3)
    assert np.median(gain) == pytest.approx(1, abs=1e-6)


def test_gain_is_normalised_over_good_pixels_only():
    image = np.full(SHAPE, 8000.0)
    good = np.ones(SHAPE, bool)
    image[:, :25] = 100  # more than half is bad
    good[:, :25] = False
    gain, _ = combine([level(8000, image=image)], NOISE, good)
    np.testing.assert_allclose(gain[good], 1, rtol=1e-6)
