"""What a scan is corrected with: the dark of its conditions, its own beam in the gain."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from pipeline.calibration.beam import scan_beam
from pipeline.calibration.for_scan import for_scan
from pipeline.calibration.product import DarkConditions
from pipeline.errors import CalibrationError
from pipeline.geometry import Panel, ScanGeometry
from tests.stages.invented import calibration_of

PANEL = Panel(20, 30, 2.0)
SCAN = ScanGeometry(radius_mm=100, standoff_mm=10)


def test_a_plain_calibration_is_given_back_as_it_is() -> None:
    made = calibration_of(PANEL)
    assert for_scan(made, SCAN, PANEL, temperature_c=30, frame_time_s=2) is made


def test_dark_and_beam_are_those_of_the_scan() -> None:
    told = (DarkConditions(20, 2), DarkConditions(30, 2))
    plain = calibration_of(
        PANEL,
        dark_conditions=told[0],
        dark_states=told[1:],
        beam={"source_distance_mm": 700.0},
    )
    states = (np.full((20, 30), 50, np.float32),)
    made = replace(plain, dark_states=states)
    used = for_scan(made, SCAN, PANEL, temperature_c=30, frame_time_s=2)
    np.testing.assert_array_equal(used.dark, states[0])
    flux = scan_beam(SCAN, PANEL)
    np.testing.assert_allclose(used.gain, flux / np.median(flux), rtol=1e-6)
    assert used.gain[10, 15] > used.gain[0, 0]
    np.testing.assert_array_equal(made.gain, 1)  # the calibration is left as it was
    with pytest.raises(CalibrationError, match="no darks for 50 °C"):
        for_scan(made, SCAN, PANEL, temperature_c=50, frame_time_s=2)
    used = for_scan(made, SCAN, PANEL, temperature_c=50, frame_time_s=2, beyond=True)
    np.testing.assert_array_equal(used.dark, states[0])
