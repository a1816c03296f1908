"""The least change of thickness that shows, against the attenuation law itself."""

from __future__ import annotations

import math

import pytest

from pipeline.quality.noise.contrast import Contrast, contrast_sensitivity


@pytest.mark.parametrize("snr", [80.0, 250.0])
@pytest.mark.parametrize("cnr", [1.0, 2.5])
def test_the_least_step_has_the_contrast_that_is_asked(snr: float, cnr: float) -> None:
    """Behind steel whose signal is exp(−0.06 t) the step takes ``cnr`` noises of one pixel, which
    is 1/SNR of the signal; exp(−x) ≈ 1 − x is wrong by x/2, here at most 1.6 %."""
    found = contrast_sensitivity(Contrast(snr, 0.0), Contrast(0.06, 0.0), 12.5, cnr=cnr)
    lost = 1 - math.exp(-0.06 * found.value * 12.5)
    assert lost * snr == pytest.approx(cnr, rel=0.017)
    assert found.sigma == 0


def test_relative_uncertainties_add_in_squares() -> None:
    found = contrast_sensitivity(Contrast(100, 3), Contrast(0.05, 0.002), 12.5, cnr=1.0)
    assert found.value == pytest.approx(1 / (0.05 * 100) / 12.5)
    assert found.sigma / found.value == pytest.approx(0.05)  # 3 % and 4 %
