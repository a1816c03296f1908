"""Real darks and flats of one camera through the calibration: a CCD before a diffuse lamp.

Two darks and two flats, a part of one read-out channel of the camera. The package that they come
from (``testdata/README.md``) measures the same camera in ways of its own; what it found over the
whole channel was written down here.
"""

from __future__ import annotations

import numpy as np
import pytest
import tifffile

from pipeline.calibration.build import Conditions, build_calibration
from pipeline.calibration.grouping import GroupKind, group_bad_pixels
from pipeline.calibration.product import CalibrationSet
from pipeline.errors import CalibrationError
from pipeline.model import PixelClass, RawImage
from tests.real.real_scan import TESTDATA
from tests.real.test_real_detector import Shot

ELECTRONS_PER_GV = 2.5115
"""By msfc-ccd 1.2.0: ``gain.photon_transfer`` of its two lit frames, this channel."""

ELECTRONS_PER_GV_FE55 = 2.507
"""By its ``gain.fe55``: the charge that X-rays of known energy from iron-55 free, mean of the
camera's other three channels (2.555, 2.503, 2.462; in this one it saw too few)."""

SPECKS = ((23, 594), (54, 388), (93, 13))
"""Row and column of three specks that both flats show, read off the pictures."""


@pytest.fixture(scope="module")
def frames() -> RawImage:
    raw: RawImage = tifffile.imread(TESTDATA / "dark_and_lit_ccd.tif")
    assert (raw.shape, raw.dtype) == ((4, 128, 608), np.uint16)
    return raw


def calibrate(darks: RawImage, flats: RawImage) -> CalibrationSet:
    return build_calibration(
        [Shot(darks)],
        [Shot(flats)],
        rows=darks.shape[1],
        columns=darks.shape[2],
        saturation_gv=65_535,
        conditions=Conditions(serial="real-ccd"),
    )


@pytest.fixture(scope="module")
def made(frames: RawImage) -> CalibrationSet:
    return calibrate(frames[:2], frames[2:])


def test_electrons_agree_with_two_other_measurements(made: CalibrationSet) -> None:
    """One pair of 77,824 pixels: √(2/77824) = 0.5 %; four times that against photon transfer.

    The three iron-55 channels scatter by 1.9 %, their mean is known to 1.1 %, and channels may
    differ: 4 %.
    """
    found = made.facts.acceptance["electrons_per_gv"]
    assert found == pytest.approx(ELECTRONS_PER_GV, rel=0.02)
    assert found == pytest.approx(ELECTRONS_PER_GV_FE55, rel=0.04)


def test_read_noise_is_that_of_the_darks_differences(
    frames: RawImage, made: CalibrationSet
) -> None:
    """Half the variance of the darks' difference, robustly; both from the same 77,824 pixels, but
    weighed differently: 4·√2·0.5 % of the variance, half of that for the noise."""
    difference = frames[0].astype(float) - frames[1]
    spread = np.percentile(difference, (15.865, 84.135)) @ (-0.5, 0.5)  # ±1 σ
    noise_gv = spread / np.sqrt(2)
    found_gv = made.facts.noise.offset**0.5
    # Whole gray values: percentiles are known to half of one, of 5.9.
    assert found_gv == pytest.approx(noise_gv, rel=0.014 + 0.5 / spread)


def test_the_specks_are_clusters_of_under_responding_pixels(made: CalibrationSet) -> None:
    groups = group_bad_pixels(made.classes)
    assert made.facts.bad_groups == groups.counts()
    for row, column in SPECKS:
        near = np.s_[row - 2 : row + 3, column - 2 : column + 3]
        numbers = np.unique(groups.numbers[near])
        sizes = {groups.groups[number - 1].pixels for number in numbers[numbers > 0]}
        assert max(sizes) >= 3
    under = (made.classes & np.uint8(PixelClass.UNDER_RESPONDING)) != 0
    assert np.count_nonzero(under) == pytest.approx(13, abs=2)
    kinds = {group.kind for group in groups.groups if group.pixels > 2}
    assert kinds <= {GroupKind.CLUSTER, GroupKind.RELEVANT_CLUSTER}


def test_hardly_anything_else_is_bad(made: CalibrationSet) -> None:
    """A good camera: no pixel is dead, and 0.02 % of the others may be called bad."""
    assert made.facts.bad_pixels["dead"] == made.facts.bad_pixels["over_responding"] == 0
    away = np.ones(made.classes.shape, bool)
    for row, column in SPECKS:
        away[row - 4 : row + 5, column - 4 : column + 5] = False
    assert np.mean(made.classes[away] != 0) <= 2e-4


def test_one_flat_corrected_by_the_other_is_as_flat_as_its_quanta_allow(
    frames: RawImage, made: CalibrationSet
) -> None:
    """The gain is made from one flat only, the other corrected with it: both flats' quanta and
    read noise, √2/SNR, are left and nothing of the lamp's 20 % or of the specks. ±2 %: the noise
    model is known to 1 %, and the standard deviation of 77,824 pixels to 0.25 %."""
    dark = frames[:2].mean(axis=0)
    one, other = frames[2] - dark, frames[3] - dark
    ratio = one / other
    good = made.classes == 0
    noise = made.facts.noise
    variance = (noise.offset + noise.slope * other) / other**2
    away = (ratio / np.median(ratio[good]) - 1) / np.sqrt(2 * variance)
    assert away[good].std() == pytest.approx(1, abs=0.02)


def test_a_coin_on_one_flat_would_be_named(frames: RawImage) -> None:
    """With two flats that can only be refused."""
    shaded = frames.copy()
    disc = np.hypot(*np.ogrid[-60:68, -300:308]) < 25
    signal = shaded[3].astype(float) - shaded[0]
    shaded[3][disc] = (shaded[0] + 0.8 * np.maximum(signal, 0))[disc].astype(np.uint16)
    told = r"frame 1: object: something in the beam, rows 32–95, columns 272–335, up to 20 %"
    with pytest.raises(CalibrationError, match=told):
        calibrate(shaded[:2], shaded[2:])


def test_darks_and_flats_exchanged_are_refused(frames: RawImage) -> None:
    with pytest.raises(CalibrationError, match="exchanged"):
        calibrate(frames[2:], frames[:2])
