"""Noise of source frames beside the strip's own: typical values, and along the strip."""

from __future__ import annotations

from typing import Any

import pytest

from pipeline.quality.image.frame_figures import FrameAt, with_frames
from pipeline.quality.image.image_quality import ImageQuality
from pipeline.quality.noise.frame_noise import FrameNoise
from pipeline.quality.noise.windows import Window, Zone

WINDOW = Window((0, 28), (0, 40), 5.0, 10.0, 1, Zone.BASE, 1.0)
NOTHING = ImageQuality((), (), (), (), None, (), "a profile")


def noise(snr: float, snr_n: float | None) -> Any:
    return FrameNoise(WINDOW, 1000.0, snr, 0.03 * snr, snr_n, 55)


def test_a_frame_is_the_median_of_its_windows() -> None:
    """Three windows of 3 %: 1.7 %; frames come in the order of their places."""
    frames = [
        FrameAt(80.0, (noise(110, 97), noise(120, 106), noise(150, 133))),
        FrameAt(10.0, (noise(100, 89),)),
        FrameAt(40.0, ()),
    ]
    found = with_frames(NOTHING, frames)
    assert {one.id: one.value for one in found.measures} == {
        "noise.snr_frame": 110.0,
        "noise.snr_n_frame": 97.5,
    }
    snr, snr_n = found.series
    assert (snr.id, snr.s_mm, snr.value) == ("noise.snr_frame", (10.0, 80.0), (100.0, 120.0))
    assert snr.sigma == (3.0, pytest.approx(120 * 0.03 / 3**0.5, rel=1e-5))
    assert snr_n.value == (89.0, 106.0)
    assert found.checks == ()


def test_without_an_sr_b_only_the_plain_snr_is_told() -> None:
    found = with_frames(NOTHING, [FrameAt(0.0, (noise(100, None),))])
    assert [one.id for one in found.measures] == ["noise.snr_frame"]


def test_frames_without_windows_change_nothing() -> None:
    assert with_frames(NOTHING, [FrameAt(0.0, ())]) is NOTHING
