"""What changed between two calibrations, against changes that were put in."""

from __future__ import annotations

import dataclasses
from typing import Any

import numpy as np
import pytest

from pipeline.calibration.compare import compare
from pipeline.calibration.product import (
    CalibrationSet,
    DarkConditions,
    NoiseModel,
    content_identity,
)
from pipeline.errors import CalibrationError
from pipeline.model import PixelClass
from tests.calibration.ageing_panel import GAIN_NOISE, aged

ROWS, COLUMNS = 200, 400
X = np.linspace(0, 1, COLUMNS, dtype=np.float32)


def panel(dark: Any = 300.0, gain: Any = 1.0, classes: Any = 0, **facts: Any) -> CalibrationSet:
    """A calibration of arrays that may be given as single values or rows."""
    shape = ROWS, COLUMNS
    arrays = (
        np.array(np.broadcast_to(np.asarray(dark, np.float32), shape)),
        np.array(np.broadcast_to(np.asarray(gain, np.float32), shape)),
        np.array(np.broadcast_to(np.asarray(classes, np.uint8), shape)),
    )
    told = aged(0, rows=ROWS, columns=COLUMNS).facts
    told = dataclasses.replace(told, noise=NoiseModel(100.0, 1.0, 0.001), **facts)
    return CalibrationSet(told, *arrays, content_identity(told, *arrays))


def test_the_same_calibration_has_not_changed() -> None:
    one = aged(1)
    found = compare(one, one)
    assert np.all(found.dark_change == 0)
    assert np.all(found.gain_change == 0)
    assert (found.dark.rms, found.gain.shading, found.strip.seam_step) == (0, 0, 0)
    assert (found.pixels.come, found.pixels.gone, found.remarks) == (0, 0, ())
    assert found.strip.filled_before == found.strip.filled_after


def test_an_even_change_of_the_dark_is_its_median_and_no_pattern() -> None:
    found = compare(panel(dark=300), panel(dark=325))
    assert (found.dark.median, found.dark.rms, found.dark.shading) == (25, 0, 0)
    # Corrected frames change by −25 GV at half the brightest flats, everywhere alike.
    expected = -25 / found.strip.signal_gv
    np.testing.assert_allclose(found.column_profile, expected, rtol=1e-4)  # float32
    assert found.strip.shading == pytest.approx(0, abs=1e-6)


def test_a_slope_of_the_gain_is_shading_and_a_step_of_half_of_it_at_half_overlap() -> None:
    slope = 0.02
    found = compare(panel(), panel(gain=1 + slope * (X - 0.5)))
    # The square over which it is smoothed takes half its width off at both ends: the mean there
    # is one-sided, a quarter of the width inside: 2 · 16/400 of the slope.
    assert found.gain.shading == pytest.approx(slope * (1 - 2 * 16 / COLUMNS), rel=0.02)
    # What a one-sided mean misses counts as pixels' own: less than slope·65/400/2 anywhere.
    assert found.gain.pixel_rms < slope * 65 / COLUMNS / 4
    assert found.strip.seam_step == pytest.approx(slope / 2, rel=0.03)  # smoothed ends
    assert found.column_profile[0] > 0 > found.column_profile[-1]  # more gain, less gray


def test_noise_is_told_from_a_change_of_the_pixels() -> None:
    rng = np.random.default_rng(1)
    noise = 1 + 0.001 * rng.standard_normal((2, ROWS, COLUMNS))
    found = compare(panel(gain=noise[0]), panel(gain=noise[1]))
    # √2 · 0.1 %; 80,000 pixels tell it to 0.25 %, 4 σ allowed. Smoothing takes 1/65² of it.
    assert found.gain.pixel_rms == pytest.approx(0.001 * 2**0.5, rel=0.01)
    assert found.gain.expected == pytest.approx(0.001 * 2**0.5)
    assert found.gain.pixel_rms_beyond_noise < 0.15 * 0.001 * 2**0.5
    own = 1 + 0.004 * rng.standard_normal((ROWS, COLUMNS))
    found = compare(panel(gain=noise[0]), panel(gain=noise[1] * own))
    assert found.gain.pixel_rms_beyond_noise == pytest.approx(0.004, rel=0.01)
    # The frame's own noise at S: √(100 + S)/S.
    signal = found.strip.signal_gv
    assert found.strip.frame_noise == pytest.approx((100 + signal) ** 0.5 / signal)
    assert found.strip.pixel_rms == pytest.approx(found.gain.pixel_rms, rel=0.02)


def test_expected_noise_of_the_dark_comes_from_frames_and_read_noise() -> None:
    few = {**aged(0).facts.acceptance, "dark_frames": 9.0, "dark_std_gv": 12.0}
    many = {**few, "dark_frames": 36.0}
    found = compare(panel(acceptance=few), panel(acceptance=many))
    assert found.dark.expected == pytest.approx((16 + 4) ** 0.5)
    assert compare(panel(acceptance={}), panel(acceptance=few)).dark.expected is None


def test_pixels_come_and_gone_are_counted_by_class_and_take_no_part_elsewhere() -> None:
    before, after = np.zeros((2, ROWS, COLUMNS), np.uint8)
    before[10, 10:14] = PixelClass.DEAD
    before[20, 20] = PixelClass.NOISY
    after[10, 10:12] = PixelClass.DEAD
    after[20, 20] = PixelClass.NOISY | PixelClass.PERSISTENT
    after[30:33, 30] = PixelClass.OVER_RESPONDING
    gain = np.ones((ROWS, COLUMNS))
    gain[30:33, 30] = 7.0  # a bad pixel's gain means nothing
    found = compare(panel(classes=before), panel(gain=gain, classes=after))
    assert (found.pixels.come, found.pixels.gone) == (3, 2)
    assert found.pixels.come_by_class["over_responding"] == 3
    assert found.pixels.come_by_class["persistent"] == 1
    assert found.pixels.gone_by_class == {**dict.fromkeys(found.pixels.gone_by_class, 0), "dead": 2}
    assert found.pixels.come_map[30:33, 30].all()
    assert np.flatnonzero(found.pixels.gone_map).tolist() == [10 * COLUMNS + 12, 10 * COLUMNS + 13]
    assert not found.both_good[30, 30]
    assert found.gain.rms == 0


def test_what_no_frame_would_measure_at_half_overlap() -> None:
    bad = np.zeros((ROWS, COLUMNS), np.uint8)
    bad[5, 50] = bad[5, 50 + COLUMNS // 2] = PixelClass.DEAD  # meet half a panel apart
    bad[7, 60] = PixelClass.DEAD
    found = compare(panel(), panel(classes=bad))
    assert found.strip.filled_before == 0
    assert found.strip.filled_after == pytest.approx(1 / (ROWS * COLUMNS / 2))


def test_aged_panels_lose_what_was_taken_from_them() -> None:
    found = compare(aged(0, rows=ROWS, columns=COLUMNS), aged(2, rows=ROWS, columns=COLUMNS))
    assert found.dark.median == pytest.approx(60, abs=0.1)
    assert found.gain.expected == pytest.approx(GAIN_NOISE * 2**0.5)
    assert found.gain.shading == pytest.approx(0.06, rel=0.1)  # the smoothing's ends again


def test_other_conditions_are_remarked_on() -> None:
    found = compare(panel(), panel(kv_max=220.0, gain_mode="high", beam={"tilt": 0.1}))
    assert found.remarks == (
        "The gain mode differs: normal, then high.",
        "The highest tube voltage differs: 180 kV, then 220 kV.",
        "The beam's shape is in the gain of only one of them; so shading differs.",
    )


def test_what_cannot_be_compared_is_refused() -> None:
    with pytest.raises(CalibrationError, match="200 × 400 and of 96 × 128 pixels"):
        compare(panel(), aged(0))
    with pytest.raises(CalibrationError, match="no pixel is good in both"):
        compare(panel(classes=1), panel())


def states(*levels: tuple[float, float, float]) -> CalibrationSet:
    """A calibration with darks at other (temperature, frame time), of these levels."""
    one = panel()
    told = tuple(DarkConditions(warm, time) for warm, time, _ in levels)
    return dataclasses.replace(
        one,
        facts=dataclasses.replace(one.facts, dark_states=told),
        dark_states=tuple(np.full_like(one.dark, level) for _, _, level in levels),
    )


def test_other_darks_are_compared_by_their_conditions() -> None:
    first = states((38.0, 2.0, 400.0), (22.0, 4.0, 320.0))
    again = states((22.0, 4.01, 330.0), (37.0, 2.0, 480.0))  # 20 % more
    assert compare(first, again).remarks == ()
    exchanged = states((38.0, 2.0, 290.0), (10.0, 2.0, 400.0))
    assert compare(first, exchanged).remarks == (
        "The darks at 38 °C and 2 s changed from 400 to 290 GV, by more than 25 %.",
        "Only the second has darks at 10 °C and 2 s.",
        "Only the first has darks at 22 °C and 4 s.",
    )


def with_dead(*places: tuple[int, int], **facts: object) -> CalibrationSet:
    one = panel(**facts)
    classes = np.zeros_like(one.classes)
    for row, column in places:
        classes[row, column] = PixelClass.DEAD
    return dataclasses.replace(one, classes=classes)


def test_dead_pixels_that_recover_are_another_panels() -> None:
    rng = np.random.default_rng(4)
    places = [(int(r), int(c)) for r, c in rng.integers(0, (ROWS, COLUMNS), (60, 2))]
    first = with_dead(*places[:40])
    assert compare(first, with_dead(*places)).remarks == ()
    assert compare(first, with_dead(*places[:20])).remarks == ()  # half are still bad
    (said,) = compare(first, with_dead(*places[30:])).remarks
    assert said.startswith("Of 40 dead pixels only 10 are still bad")
    assert "two panels" in said and "serial number" in said
    # Few tell nothing; and pixels of other classes may well be good again.
    assert compare(with_dead(*places[:19]), with_dead(*places[30:])).remarks == ()


def test_exposures_that_both_were_made_from_are_remarked_on() -> None:
    def files(*digests: str) -> list[dict[str, str]]:
        return [{"name": f"{digest}.tif", "sha256": digest} for digest in digests]

    flats = {"kind": "flat", "files": files("01", "02")}
    darks = {"kind": "dark", "files": files("03", "04")}
    other = {"kind": "dark", "files": files("03", "05")}
    first, second = panel(exposures=(flats, darks)), panel(exposures=(other,))
    assert compare(first, second).remarks == (
        "1 file of exposures went into both: its noise shows in no difference.",
    )
    (said,) = compare(first, panel(exposures=(flats,))).remarks
    assert said == "2 files of exposures went into both: their noise shows in no difference."
    assert compare(first, panel(exposures=({"kind": "flat"},))).remarks == ()
