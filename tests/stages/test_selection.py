"""Which frames belong to the scan, and what is said about the others."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.geometry import Panel
from pipeline.model import Frame, FrameFlag, FrameRow
from pipeline.stages.selection import FrameSurvey, left_out, survey
from tests.stages.invented import calibration_of


def rows(count: int, kv: dict[int, float] | None = None) -> list[FrameRow]:
    voltage = kv or {}
    return [
        FrameRow(k, f"f{k}.tif", 0, 10.0 * k, kv=voltage.get(k, 200.0) if kv else None)
        for k in range(count)
    ]


def reasons(
    levels: list[float],
    *,
    saturated: dict[int, float] | None = None,
    unreadable: dict[int, str] | None = None,
    kv: dict[int, float] | None = None,
    min_level: float = 0.85,
    max_saturated: float = 0.02,
) -> dict[int, str]:
    bright, gone = saturated or {}, unreadable or {}
    surveys = {
        k: FrameSurvey(level, bright.get(k, 0.0)) for k, level in enumerate(levels) if k not in gone
    }
    return left_out(
        rows(len(levels), kv),
        surveys,
        gone,
        shot=range(len(levels)),
        min_level=min_level,
        max_saturated=max_saturated,
    )


def test_a_good_scan_leaves_nothing_out() -> None:
    assert reasons([1000.0] * 8) == {}
    assert reasons([1000.0]) == {}
    assert reasons([]) == {}


def test_ramp_up_is_before_the_first_good_frame_and_low_level_after_it() -> None:
    found = reasons([300, 700, 1000, 1010, 600, 990, 1005, 1000])
    assert set(found) == {0, 1, 4}
    assert found[0] == "ramp_up: 0.30 of the scan's level"
    assert found[1].startswith("ramp_up: 0.70") and found[4].startswith("low_level: 0.60")


@pytest.mark.parametrize(("min_level", "out"), [(0.5, {0}), (0.85, {0, 1}), (0.95, {0, 1, 2})])
def test_min_level(min_level: float, out: set[int]) -> None:
    assert set(reasons([400, 800, 900, 1000, 1000, 1000, 1000], min_level=min_level)) == out


@pytest.mark.parametrize(("limit", "out"), [(0.0, {2, 3}), (0.02, {3}), (0.5, set())])
def test_max_saturated(limit: float, out: set[int]) -> None:
    found = reasons([1000.0] * 6, saturated={2: 0.02, 3: 0.3}, max_saturated=limit)
    assert set(found) == out
    if 3 in out:
        assert found[3].startswith("saturated: 30.0% of its pixels, allowed ")


def test_dark_frames_have_no_signal_and_do_not_set_the_usual_level() -> None:
    found = reasons([0, -2, 0, 0, 0, 1000, 1000, 990])
    assert set(found) == {0, 1, 2, 3, 4}
    assert all(why.startswith("no_signal") for why in found.values())


def test_the_tube_voltage_tells_ramp_up_at_full_level() -> None:
    found = reasons([1000.0] * 12, kv={0: 120.0, 1: 193.9, 2: 194.0, 5: 150.0})
    assert set(found) == {0, 1, 5}
    assert found[0] == "ramp_up: 1.00 of the scan's level, 120 of 200 kV"
    assert found[5].startswith("low_level")


def test_unreadable_frames_are_named_with_their_reason_and_not_judged_again() -> None:
    found = reasons([1000, 1000, 10, 1000], unreadable={2: "f2.tif: truncated"})
    assert found == {2: "unreadable: f2.tif: truncated"}


def test_all_unreadable_and_all_dark() -> None:
    assert set(reasons([1, 1], unreadable={0: "x", 1: "y"})) == {0, 1}
    assert set(reasons([0, 0])) == {0, 1}


@pytest.mark.parametrize(
    ("shot", "reasons_of"),
    [
        ([0, 1, 2, 3, 4], {1: "low_level", 4: "low_level"}),
        ([4, 3, 2, 1, 0], {1: "low_level", 4: "ramp_up"}),
        ([4, 1, 0, 3, 2], {1: "ramp_up", 4: "ramp_up"}),
        ([1, 0, 2, 4, 3], {1: "ramp_up", 4: "low_level"}),
    ],
)
def test_ramp_up_follows_the_order_of_shooting(shot: list[int], reasons_of: dict[int, str]) -> None:
    levels = [1000.0, 500.0, 1000.0, 1000.0, 400.0]
    surveys = {k: FrameSurvey(level, 0.0) for k, level in enumerate(levels)}
    found = left_out(rows(5), surveys, {}, shot=shot, min_level=0.85, max_saturated=0.02)
    assert {k: why.split(":")[0] for k, why in found.items()} == reasons_of


@pytest.mark.parametrize(("least", "out"), [(0.0, set()), (4.0, {1}), (7.0, {0, 1})])
def test_what_noise_alone_may_reach_is_no_signal(least: float, out: set[int]) -> None:
    surveys = {k: FrameSurvey(level, 0.0) for k, level in enumerate([6.0, 3.0, 2000.0])}
    found = left_out(
        rows(3),
        surveys,
        {},
        shot=range(3),
        min_level=0.001,
        max_saturated=0.02,
        min_signal_gv=least,
    )
    assert {k for k, why in found.items() if why.startswith("no_signal")} == out


@pytest.mark.parametrize("level", [0.5, 1.0, 1.5])
def test_survey_is_the_median_of_the_good_pixels_and_the_saturated_part(level: float) -> None:
    panel = Panel(64, 80, 0.1)
    calibration = calibration_of(panel)
    calibration.dark[:], calibration.gain[:] = 100, 0.8
    calibration.classes[:, ::16] = 1  # every second sampled column
    raw = np.full((64, 80), round(100 + 8000 * level), np.uint16)
    raw[:, ::16] = 65_535
    flags = np.zeros(raw.shape, np.uint8)
    flags[::8, 8] = FrameFlag.SATURATED
    flags[::8, 24] = FrameFlag.BAD  # is not saturated
    found = survey(Frame(0, raw, flags), calibration)
    assert found.level_gv == pytest.approx(10_000 * level, rel=1e-6)
    assert found.saturated == pytest.approx(0.1)  # one of ten sampled columns


def test_survey_below_the_dark_is_negative_and_of_no_good_pixel_is_zero() -> None:
    panel = Panel(16, 16, 0.1)
    calibration = calibration_of(panel)
    calibration.dark[:] = 100
    raw = Frame(0, np.full((16, 16), 90, np.uint16), np.zeros((16, 16), np.uint8))
    assert survey(raw, calibration).level_gv == -10
    calibration.classes[:] = 1
    assert survey(raw, calibration).level_gv == 0
