"""Bad pixels as a stage: flagged whatever their class, filled from good neighbours."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.geometry import Panel
from pipeline.model import Frame, FrameFlag, PixelClass
from pipeline.stages.bad_pixels import BadPixels
from tests.stages.invented import calibration_of

PANEL = Panel(24, 30, 0.1)


def frame_with(value: float = 1000.0) -> Frame:
    return Frame(0, np.full((24, 30), value, np.float32), np.zeros((24, 30), np.uint8))


@pytest.mark.parametrize("radius", [1, 2, 4])
def test_every_class_counts_as_bad_and_is_filled(radius: int) -> None:
    calibration = calibration_of(PANEL)
    places = [(3 * k + 2, 20) for k in range(len(PixelClass))]
    frame = frame_with()
    for (row, column), kind in zip(places, PixelClass, strict=True):
        calibration.classes[row, column] = kind
        frame.values[row, column] = 60_000
    fixed = BadPixels(radius_px=radius).bind(calibration)(frame)
    np.testing.assert_array_equal(fixed.flags != 0, calibration.classes != 0)
    np.testing.assert_allclose(fixed.values, 1000, rtol=1e-6)


def test_pixels_that_earlier_stages_flagged_are_filled_and_keep_their_flags() -> None:
    frame = frame_with()
    frame.values[5, 5], frame.flags[5, 5] = 65_000, FrameFlag.SATURATED
    calibration = calibration_of(PANEL)
    calibration.classes[5, 6] = PixelClass.NOISY
    frame.values[5, 6] = -9000
    fixed = BadPixels().bind(calibration)(frame)
    assert fixed.flags[5, 5] == FrameFlag.SATURATED and fixed.flags[5, 6] == FrameFlag.BAD
    np.testing.assert_allclose(fixed.values, 1000, rtol=1e-6)


def test_a_dead_panel_goes_through_with_every_pixel_flagged() -> None:
    calibration = calibration_of(PANEL)
    calibration.classes[:] = PixelClass.DEAD
    fixed = BadPixels().bind(calibration)(frame_with())
    assert (fixed.flags != 0).all()


@pytest.mark.parametrize("radius", [0, 16])
def test_radius_has_its_bounds(radius: int) -> None:
    with pytest.raises(ValueError, match="radius_px"):
        BadPixels(radius_px=radius)
