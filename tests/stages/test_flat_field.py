"""Dark and gain correction as a stage: weak pixels flagged, nothing changed that isn't its own."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from pipeline.geometry import Panel
from pipeline.model import Frame, FrameFlag
from pipeline.stages.flat_field import FlatField
from tests.stages.invented import calibration_of

PANEL = Panel(6, 8, 0.1)


def raw_frame(value: int = 5000) -> Frame:
    return Frame(3, np.full((6, 8), value, np.uint16), np.zeros((6, 8), np.uint8))


@pytest.mark.parametrize("gain", [0.5, 1.0, 1.7])
def test_a_pixels_response_is_taken_out(gain: float) -> None:
    usual = calibration_of(PANEL)
    calibration = replace(usual, dark=usual.dark + 200, gain=usual.gain * np.float32(gain))
    frame = FlatField().bind(calibration)(raw_frame())
    assert frame.index == 3 and frame.values.dtype == np.float32
    np.testing.assert_allclose(frame.values, 4800 / gain, rtol=2e-7)
    assert not frame.flags.any()


@pytest.mark.parametrize("min_gain", [0.05, 0.2, 0.9])
def test_weak_pixels_become_zero_and_bad(min_gain: float) -> None:
    calibration = calibration_of(PANEL)
    calibration.gain[0] = [0, -0.3, 0.04, 0.05, 0.19, 0.2, 0.89, 0.9]
    weak = calibration.gain < np.float32(min_gain)
    raw = raw_frame()
    raw.flags[0, 7] = FrameFlag.SATURATED
    frame = FlatField(min_gain=min_gain).bind(calibration)(raw)
    np.testing.assert_array_equal(frame.flags & FrameFlag.BAD != 0, weak)
    np.testing.assert_array_equal(frame.values[weak], 0)
    assert np.isfinite(frame.values).all()
    assert frame.flags[0, 7] & FrameFlag.SATURATED  # kept
    assert frame.flags.dtype == np.uint8


def test_the_raw_frame_is_left_as_it_was() -> None:
    calibration = calibration_of(PANEL)
    calibration.gain[1, 1] = 0.01
    raw = raw_frame(65_535)
    FlatField().bind(calibration)(raw)
    assert (raw.values == 65_535).all() and not raw.flags.any()


@pytest.mark.parametrize("curvature", [1e-5, -2e-5])
def test_a_measured_bend_is_taken_out(curvature: float) -> None:
    usual = calibration_of(PANEL, linearity={"reference_gv": 3000.0})
    bent = np.zeros((6, 8), np.float32)
    bent[2] = curvature
    calibration = replace(usual, curvature=bent)
    frame = FlatField().bind(calibration)(raw_frame())
    straight = FlatField().bind(usual)(raw_frame())
    expected = straight.values * (1 + bent * (straight.values - 3000))
    np.testing.assert_allclose(frame.values, expected, rtol=3e-7)
    np.testing.assert_array_equal(frame.values[bent == 0], straight.values[bent == 0])


@pytest.mark.parametrize("min_gain", [0.0, 1.0, -0.1, float("nan")])
def test_min_gain_lies_between_zero_and_one(min_gain: float) -> None:
    with pytest.raises(ValueError, match="min_gain"):
        FlatField(min_gain=min_gain)
