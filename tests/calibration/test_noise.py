"""The noise model from pairs with known noise."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.calibration.noise import (
    BlockNoise,
    fit_noise,
    pair_noise,
    photon_transfer,
    relative_variance,
    require_one_gain,
    require_steady,
)
from pipeline.calibration.product import NoiseModel
from pipeline.errors import CalibrationError


def pair(signal, *, offset, slope, dark=300.0, step=1.0, seed=1):
    """Two raw frames of ``signal`` (GV, an array), the second ``step`` times as bright."""
    rng = np.random.default_rng(seed)
    frames = []
    for level in (1.0, step):
        lit = signal * level
        frames.append(np.rint(dark + lit + rng.normal(0, np.sqrt(offset + slope * lit))))
    return [frame.astype(np.uint16) for frame in frames]


@pytest.mark.parametrize("step", [1.0, 0.8, 1.3])
@pytest.mark.parametrize("signal_gv", [0.0, 10_000.0])
def test_pair_gives_the_variance_of_one_frame(signal_gv, step):
    lit = signal_gv > 0
    signal = np.full((256, 320), signal_gv) * np.random.default_rng(2).normal(1, 0.1, (256, 320))
    frames = pair(signal, offset=16, slope=0.5, step=step)
    dark, good = np.full(signal.shape, 300, np.float32), np.ones(signal.shape, bool)
    blocks = pair_noise(*frames, dark, good, lit=lit)
    assert len(blocks.signal) == 8 * 10
    mean = signal_gv * (1 + step) / 2
    # Half of (variance of a + variance of b·ratio²) over (1 + ratio²)/2, and rounding's 1/12.
    ratio = 1 / step if lit else 1
    a, b = 16 + 0.5 * signal_gv, 16 + 0.5 * signal_gv * step
    expected = (a + ratio**2 * b) / (1 + ratio**2) + 1 / 12
    # 81,920 pixels: √(2/81920) = 0.5 % of the variance; 4 of these.
    assert np.mean(blocks.variance) == pytest.approx(expected, rel=0.02)
    # The mean of a block of 1024 with 10 % spread of response, over 80 blocks: 0.04 %.
    assert np.mean(blocks.signal) == pytest.approx(mean, rel=0.002, abs=0.1)


def test_bad_pixels_and_spikes_do_not_count():
    signal = np.full((128, 128), 8000.0)
    first, second = pair(signal, offset=16, slope=0.5)
    rng = np.random.default_rng(3)
    good = rng.random(signal.shape) > 0.02
    first[~good] = 65535
    second[::31, ::17] += 3000
    dark = np.full(signal.shape, 300, np.float32)
    blocks = pair_noise(first, second, dark, good, lit=True)
    # 16,384 pixels: √(2/16384) = 1.1 %; 4 of these.
    assert np.mean(blocks.variance) == pytest.approx(16 + 0.5 * 8000, rel=0.045)


def test_blocks_with_too_few_good_pixels_are_left_out():
    frames = pair(np.full((64, 64), 5000.0), offset=16, slope=0.5)
    good = np.ones((64, 64), bool)
    good[:32, :20] = False
    blocks = pair_noise(*frames, np.full((64, 64), 300, np.float32), good, lit=True)
    assert len(blocks.signal) == 3


def test_a_panel_smaller_than_a_block_is_one_block():
    frames = pair(np.full((10, 12), 5000.0), offset=16, slope=0.5)
    blocks = pair_noise(
        *frames, np.full((10, 12), 300, np.float32), np.ones((10, 12), bool), lit=True
    )
    assert len(blocks.signal) == 1


@given(st.floats(0.5, 500), st.floats(0.01, 5))
@settings(max_examples=60, deadline=None)
def test_fit_returns_an_exact_line(offset, slope):
    signal = np.linspace(0, 30_000, 50)
    blocks = BlockNoise(signal, offset + slope * signal, np.full(50, 1000.0))
    found = fit_noise([blocks])
    np.testing.assert_allclose(found, (offset, slope), rtol=1e-5)


def test_fit_is_hardly_moved_by_flawed_blocks():
    rng = np.random.default_rng(4)
    signal = np.repeat([0.0, 5000.0, 20_000.0], 200)
    variance = (16 + 0.9 * signal) * rng.chisquare(1000, 600) / 1000
    variance[::20] *= 3
    offset, slope = fit_noise([BlockNoise(signal, variance, np.full(600, 1000.0))])
    # Huber with 5 % one-sided outliers shifts by about 0.05·1.345·4.5 % = 0.3 %; noise 0.2 %.
    assert slope == pytest.approx(0.9, rel=0.01)
    assert offset == pytest.approx(16, rel=0.02)


def test_offset_is_never_negative():
    signal = np.linspace(5000, 20_000, 30)
    offset, slope = fit_noise([BlockNoise(signal, 0.9 * signal - 200, np.full(30, 1000.0))])
    assert offset == 0
    assert 0.85 < slope < 0.9


@pytest.mark.parametrize("variance", [0.0, 25.0])
def test_noise_that_does_not_grow_is_refused(variance):
    signal = np.linspace(0, 20_000, 30)
    blocks = BlockNoise(signal, np.full(30, variance) - 1e-4 * signal, np.full(30, 1000.0))
    with pytest.raises(CalibrationError, match=r"doesn't grow with their signal.*copies of one"):
        fit_noise([blocks])


def test_a_panel_without_a_good_block_is_refused():
    frames = pair(np.full((64, 64), 5000.0), offset=16, slope=0.5)
    good = np.zeros((64, 64), bool)
    good[:, 0] = True
    blocks = pair_noise(*frames, np.full((64, 64), 300, np.float32), good, lit=True)
    with pytest.raises(CalibrationError, match="enough good pixels"):
        fit_noise([blocks])


def test_relative_variance_is_the_inverse_square_of_snr():
    model = NoiseModel(offset=100, slope=0.5)
    # (100 + 0.5·2000)/(4·2000²)
    assert float(relative_variance(model, 2000.0, 4)) == pytest.approx(6.875e-5, rel=1e-6)


@given(st.floats(0.1, 20), st.floats(0, 40))
@settings(max_examples=30, deadline=None)
def test_photon_transfer_counts_electrons(electrons_per_gv, read_electrons):
    """A panel of so many electrons a gray value; its noise in GV, with that of rounding."""
    read_gv = read_electrons / electrons_per_gv
    found = photon_transfer(NoiseModel(read_gv**2 + 1 / 12, 1 / electrons_per_gv))
    assert found["electrons_per_gv"] == pytest.approx(electrons_per_gv)
    assert found["read_noise_electrons"] == pytest.approx(read_electrons, rel=1e-6, abs=1e-6)
    # There quanta (signal in electrons) scatter as much as all else.
    at = found["quantum_limited_from_gv"]
    assert at * electrons_per_gv == pytest.approx(read_electrons**2 + electrons_per_gv**2 / 12)


def test_read_noise_below_rounding_is_none():
    assert photon_transfer(NoiseModel(0.05, 1.0))["read_noise_electrons"] == 0


def noise_at(signal_gv, slope, blocks=200, seed=1):
    """Blocks of 1023 degrees of freedom, read noise 16 GV²."""
    rng = np.random.default_rng(seed)
    variance = (16 + slope * signal_gv) * rng.chisquare(1023, blocks) / 1023
    return BlockNoise(np.full(blocks, float(signal_gv)), variance, np.full(blocks, 1023.0))


@pytest.mark.parametrize(("other", "refused"), [(1.0, False), (1.4, False), (1.6, True), (4, True)])
def test_flats_of_another_gain_are_told_by_their_noise(other, refused):
    dark = [noise_at(0.0, 0.9)]
    levels = {
        "flats at dose 1": [noise_at(5e3, 0.9)],
        "flats at dose 2": [noise_at(9e3, 0.9 * other)],
    }
    if not refused:
        require_one_gain(dark, levels)
        return
    with pytest.raises(
        CalibrationError, match=r"noise of the flats at dose 2 says .* dose 1 1\.1;"
    ):
        require_one_gain(dark, levels)


def test_where_read_noise_leads_gain_is_not_judged():
    require_one_gain([noise_at(0.0, 0.9)], {"a": [noise_at(10, 0.9)], "b": [noise_at(9e3, 0.9)]})
    require_one_gain([], {"a": [noise_at(5e3, 0.9)]})


def test_few_pixels_prove_nothing_about_gain():
    few = {"a": [noise_at(5e3, 0.9, blocks=1)], "b": [noise_at(9e3, 1.45, blocks=1)]}
    require_one_gain([noise_at(0.0, 0.9)], few)


@pytest.mark.parametrize(("scatter_gv", "refused"), [(4.1, False), (7.0, False), (9.0, True)])
def test_darks_that_jump_are_refused(scatter_gv, refused):
    blocks, variances = [noise_at(0.0, 0.9)], [np.full((8, 8), scatter_gv**2, np.float32)]
    if not refused:
        require_steady(blocks, variances)
        return
    with pytest.raises(
        CalibrationError, match=r"darks: the darks scatter by 9\.0 GV.* only 4\.0 GV"
    ):
        require_steady(blocks, variances)
    require_steady([], variances)  # a single dark
