"""Our flat-field correction against ccdproc's on the same arrays.

Source: ccdproc ≥ 2.4 (the Astropy project's package for CCD reduction), ``subtract_dark`` and
``flat_correct``: ``(frame − dark) / (flat / norm_value)``. It gets the flat as it was shot, dark
included, and subtracts that itself; ``norm_value`` is our flat's signal where the gain is 1.
"""

import numpy as np
import pytest
from astropy import units
from astropy.nddata import CCDData
from ccdproc import flat_correct, subtract_dark

from pipeline.kernels.flat_field import flat_field


def ours(raw: np.ndarray, dark: np.ndarray, gain: np.ndarray) -> np.ndarray:
    out = np.empty(raw.shape, np.float32)
    flat_field(raw, dark, (1 / gain).astype(np.float32), out)
    return out


def theirs(raw: np.ndarray, dark: np.ndarray, gain: np.ndarray) -> np.ndarray:
    flat_gv = 21_000.0
    frame, flat, dark_frame = (
        CCDData(image.astype(np.float64), unit=units.adu)
        for image in (raw, dark + flat_gv * gain, dark)
    )
    second = 1 * units.second
    lit, lit_flat = (
        subtract_dark(image, dark_frame, data_exposure=second, dark_exposure=second)
        for image in (frame, flat)
    )
    return np.asarray(flat_correct(lit, lit_flat, norm_value=flat_gv).data)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_equals_ccdproc(seed: int) -> None:
    rng = np.random.default_rng(seed)
    shape = 90, 120
    gain = rng.uniform(0.3, 1.8, shape).astype(np.float32)
    gain /= np.median(gain)
    dark = rng.uniform(100, 900, shape).astype(np.float32)
    raw = np.clip(dark + gain * rng.uniform(500, 30_000, shape), 0, 65_535).astype(np.uint16)
    # Ours runs in float32: a few roundings of 6e-8 each; the flat's are magnified by at most
    # (900 + 21000·0.3)/(21000·0.3).
    np.testing.assert_allclose(ours(raw, dark, gain), theirs(raw, dark, gain), rtol=1e-6)


def test_a_calibration_of_ours_serves_ccdproc_as_well() -> None:
    """Dark and gain as the project builds them flatten an independent frame alike in both."""
    from pipeline.calibration.build import Conditions, build_calibration  # noqa: PLC0415
    from tests.calibration.simulated_panel import SimulatedPanel  # noqa: PLC0415

    panel = SimulatedPanel(64, 96, seed=11)
    made = build_calibration(
        [panel.darks(5)],
        [panel.flats(10)],
        rows=64,
        columns=96,
        saturation_gv=65_000,
        conditions=Conditions("P-1"),
    )
    raw = np.empty((64, 96), np.uint16)
    panel.flats(1, 12_000).read(0, raw)
    np.testing.assert_allclose(
        ours(raw, made.dark, made.gain), theirs(raw, made.dark, made.gain), rtol=1e-6
    )
