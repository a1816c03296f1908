"""What is told of the noise: the remedy that fits its cause, and the surface's part."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.quality.asked.requirement import SNR_N, Bound, Requirement
from pipeline.quality.image.noise_figures import noise_figures
from pipeline.quality.noise.noise_measures import NoiseAt, NoiseMeasures
from pipeline.quality.noise.resampled_noise import NoiseTexture
from pipeline.quality.noise.weld_line import WeldLine
from pipeline.quality.noise.windows import Window, Zone

SR_B_MM = 0.1
APERTURE_MM = 0.1  # so that SNR_N is SNR


def _measures(
    snr_n: float, texture: NoiseTexture | None, others: float | None = None
) -> NoiseMeasures:
    """40 windows over 200 mm, the first 20 with ``snr_n``, the rest with ``others`` if told."""
    empty = np.zeros(0)
    places = tuple(
        NoiseAt(
            Window((0, 28), (50 * k, 50 * k + 40), 5.0 * k, 0.0, 1, Zone.BASE, 1.0),
            mean_gv=1000.0,
            groups=56,
            snr=snr_n,
            snr_sigma=1.0,
            snr_white=snr_n,
            snr_white_sigma=1.0,
            snr_n=snr_n if k < 20 or others is None else others,
            snr_n_sigma=1.0,
            predicted_snr=None,
            frames=None,
        )
        for k in range(40)
    )
    weld = WeldLine(empty, empty, empty, empty, empty, np.zeros(0, np.bool_))
    return NoiseMeasures(weld, places, SR_B_MM, APERTURE_MM, 1.0, texture)


def _remedy(noise: NoiseMeasures, asked: float) -> str:
    required = Requirement(SNR_N, Bound.LEAST, asked, "", "a table")
    return noise_figures(noise, "the detector's", "", required)[0].remedy


def test_the_dose_that_is_told_leaves_the_surface_as_it_is() -> None:
    """SNR_N 100, 1/100² half noise, half surface: for 120 noise must fall to 1/120² − ½/100², that
    is by ½ / (0.6944 − 0.5) = 2.57. Without a word of the surface it would be 1.44."""
    half = NoiseTexture(1 / np.sqrt(2) / 100, (1.0,), 1.5, 0.5)
    assert _remedy(_measures(100.0, half), 120.0).startswith("2.7 times the mA·s of each frame")
    assert _remedy(_measures(100.0, None), 120.0).startswith("1.5 times the mA·s of each frame")


def test_no_dose_is_told_where_the_surface_alone_is_too_much() -> None:
    """Surface of ½/100² alone allows 141 at most."""
    half = NoiseTexture(1 / np.sqrt(2) / 100, (1.0,), 1.5, 0.5)
    told = _remedy(_measures(100.0, half), 145.0)
    assert told.startswith("the metal's surface alone keeps SNR_N below what is asked: no dose")


def test_the_least_stretch_is_what_must_be_mended() -> None:
    """Smooth metal, SNR_N 100 in one half and 200 in the other, the median 150: 120 takes 1.44
    times the dose where it is least, although 150 is enough."""
    smooth = NoiseTexture(1 / 150, (1.0,), 1.5, 0.0)
    assert _remedy(_measures(100.0, smooth, 200.0), 120.0).startswith("1.5 times")
    assert _remedy(_measures(100.0, smooth, 200.0), 101.0).startswith("1.1 times the mA·s")


def test_the_surface_s_part_stands_beside_what_is_left_without_it() -> None:
    texture = NoiseTexture(1 / 130, (1.0, 0.1), 1.3, 0.4)
    found = {one.id: one for one in noise_figures(_measures(100.0, texture), "x", "", None)}
    assert found["noise.snr_n_without_surface"].value == pytest.approx(130.0)
    assert found["noise.surface_part"].value == 0.4
    assert found["noise.white_factor"].value == 1.3
    assert all(one.method for one in found.values())
    without = noise_figures(_measures(100.0, None), "x", "", None)
    assert not {one.id for one in without} & {"noise.surface_part", "noise.white_factor"}
