"""Raw frames of a real X-ray camera through the calibration: 16 successive exposures of one scene.

Rows 0–23 of every frame are open beam: real flats, each with its own noise, all with the camera's
own fixed pattern. Below rows 32–36 a metal wall takes three quarters of the radiation. The data
set has no dark frames; it needs none here, because the noise itself says where the camera's zero
lies (`test_noise_grows_in_proportion_to_the_signal`).
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import pytest
import tifffile

from pipeline.calibration.build import Conditions, build_calibration
from pipeline.calibration.noise import fit_noise, pair_noise
from pipeline.calibration.product import CalibrationSet, DarkConditions
from pipeline.model import PixelClass, RawImage
from tests.real.real_scan import TESTDATA

OPEN_ROWS = slice(0, 24)
WALL_ROWS = slice(64, 96)


@dataclass(frozen=True)
class Shot:
    """Frames in memory as the calibration reads them."""

    images: RawImage
    dose: float | None = None
    source_distance_mm: float | None = None
    conditions: DarkConditions = field(default_factory=DarkConditions)

    @property
    def frames(self) -> int:
        return len(self.images)

    def name(self, index: int) -> str:
        return f"frame {index}"

    def read(self, index: int, out: RawImage) -> None:
        out[...] = self.images[index]


@pytest.fixture(scope="module")
def frames() -> RawImage:
    raw = tifffile.imread(TESTDATA / "metal_wall.tif")
    assert (raw.shape, raw.dtype) == ((16, 120, 400), np.uint16)
    return raw


def calibrate(flats: RawImage) -> CalibrationSet:
    no_offset = np.zeros((2, *flats.shape[1:]), np.uint16)
    return build_calibration(
        [Shot(no_offset)],
        [Shot(flats)],
        rows=flats.shape[1],
        columns=flats.shape[2],
        saturation_gv=4095,  # a 12-bit camera
        conditions=Conditions(serial="real-camera"),
    )


def test_photon_transfer_of_whole_frames_agrees_with_pixelwise_variances(frames: RawImage) -> None:
    """Two estimates of the noise's slope from the same frames, by different ways.

    Ours: differences of successive frames in 32×32 blocks, 96 rows of mixed brightness, robust
    line. Here: each pixel's variance over pairs in open beam and behind the wall, the line through
    two points. Of 8 pairs × 9600 pixels with neighbours correlated by 0.1 (measured on the frames)
    a variance is known to √(2/76800)·1.1 = 0.6 %, their difference in proportion to 0.8 %; both
    estimates together 1.1 %. 4 σ: 4.5 %.
    """
    dark = np.zeros(frames.shape[1:], np.float32)
    good = np.ones(frames.shape[1:], np.bool_)
    pairs = [pair_noise(a, b, dark, good, lit=True) for a, b in zip(*_pairs(frames), strict=True)]
    _, slope = fit_noise(pairs)

    open_beam, wall = _mean_and_variance(frames)
    pixelwise = (open_beam[1] - wall[1]) / (open_beam[0] - wall[0])
    assert slope == pytest.approx(pixelwise, rel=0.045)


def test_noise_grows_in_proportion_to_the_signal(frames: RawImage) -> None:
    """Quantum noise: variance per gray value is one constant from 390 to 1500 GV.

    Measured by halves of the 16 frames' pairs each ratio is known to 0.6 % (above), their quotient
    to 0.9 %; read noise of up to 3 GV² adds to the dim side 3/52 = 6 %. A zero that
    lay 60 GV off would change the quotient by 60·(1/390 − 1/1500) = 11 %.
    """
    open_beam, wall = (variance / mean for mean, variance in _mean_and_variance(frames))
    assert open_beam == pytest.approx(wall, rel=0.06)


def test_gain_from_half_of_the_flats_makes_the_other_half_uniform(frames: RawImage) -> None:
    """What is left of the camera's pattern is what the calibration itself predicts as noise.

    Residual = noise of 8 averaged frames and of the gain, both from the fitted model. 9600 pixels,
    correlation 0.1: the spread is known to 0.8 %, the fitted slope to 1 %. Frames 0 to 15 are also
    correlated with each other (−0.03 between neighbours, measured): up to 4 % of the noise of a
    mean of 8. 4·1.3 % + 4 %: 9 %.
    """
    open_beam = frames[:, OPEN_ROWS]
    calibration = calibrate(open_beam[:8])
    noise = calibration.facts.noise
    other = open_beam[8:].astype(np.float64).mean(axis=0)
    corrected = (other - calibration.dark) / calibration.gain

    signal = float(np.median(corrected))
    relative = float(corrected.std() / signal)
    mean_of_8 = (noise.offset + noise.slope * signal) / 8 / signal**2
    assert relative == pytest.approx(np.sqrt(mean_of_8 + noise.gain_relative**2), rel=0.09)
    # And it was worth it: the uncorrected pattern is three times as strong.
    assert other.std() / other.mean() > 2.5 * relative


def test_gains_from_even_and_odd_frames_agree_to_their_stated_noise(frames: RawImage) -> None:
    """`gain_relative` of both halves together predicts their difference; tolerance as above."""
    even, odd = (calibrate(frames[k::2, OPEN_ROWS]) for k in (0, 1))
    difference = float((even.gain - odd.gain).std())
    stated = np.hypot(even.facts.noise.gain_relative, odd.facts.noise.gain_relative)
    assert difference == pytest.approx(float(stated), rel=0.09)


def test_a_dust_shadow_is_no_bad_pixel_and_a_dead_pixel_is(frames: RawImage) -> None:
    """The camera's dust takes a fifth of the light, which the gain mends: no pixel is dead or slow.

    The test of uniformity lets noise push 1e-4 of 9600 pixels over its limit: one, and with 99.7 %
    at most four. A pixel set to zero in the same real frames is found, and nothing else changes.
    """
    open_beam = frames[:, OPEN_ROWS]
    calibration = calibrate(open_beam)
    assert calibration.gain.min() < 0.85
    counts = calibration.facts.bad_pixels
    assert counts["total"] == counts["non_uniform"] <= 4

    broken = open_beam.copy()
    broken[:, 11, 222] = 0
    classes = calibrate(broken).classes
    dead = (classes & np.uint8(PixelClass.DEAD)) != 0
    assert np.argwhere(dead).tolist() == [[11, 222]]
    assert np.count_nonzero(classes != calibration.classes) == 1


def _pairs(frames: RawImage) -> tuple[RawImage, RawImage]:
    return frames[0::2], frames[1::2]


def _mean_and_variance(frames: RawImage) -> list[tuple[float, float]]:
    """Gray value and variance of one frame in open beam and behind the wall, from pixels' pairs."""
    first, second = (half.astype(np.float64) for half in _pairs(frames))
    variance = ((first - second) ** 2).mean(axis=0) / 2
    mean = frames.mean(axis=0)
    return [(float(mean[k].mean()), float(variance[k].mean())) for k in (OPEN_ROWS, WALL_ROWS)]
