import base64

import cv2
import numpy as np
import pytest

from pipeline.model import Origin
from pipeline.outputs.report.views.pictures import (
    ShownStrip,
    Window,
    display_window,
    ring_picture,
    section_pictures,
    shown_strip,
)

WINDOW = Window(0, 51_000)  # 200 gray values of the strip to one of the picture


def decode(uri: str) -> np.ndarray:
    data = base64.b64decode(uri.split(",", 1)[1])
    return cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_UNCHANGED)


def covered(strip: np.ndarray) -> np.ndarray:
    return np.full(strip.shape, Origin.MEASURED, np.uint8)


def seen_whole(strip: np.ndarray, origin: np.ndarray | None = None) -> ShownStrip:
    return shown_strip(strip, covered(strip) if origin is None else origin, WINDOW)


def test_more_radiation_is_darker():
    strip = np.full((40, 100), 10_000, np.uint16)
    strip[:, 50:] = 40_000
    (picture,) = section_pictures(seen_whole(strip), pitch_mm=0.5, s_first_mm=0.0)
    shown = decode(picture.uri)
    # 255 · (51000 − v) / 51000, and JPEG at this quality keeps flat blocks to ± 2.
    assert int(shown[20, 20]) == pytest.approx(205, abs=2)
    assert int(shown[20, 80]) == pytest.approx(55, abs=2)


@pytest.mark.parametrize(
    ("first_mm", "columns", "edges_mm"),
    [
        (0, 150, [(0, 150)]),
        (0, 220, [(0, 220)]),
        (0, 230, [(0, 230)]),  # a cut at 200 would be only 30 mm before the end
        (0, 231, [(0, 210), (190, 231)]),
        (0, 409, [(0, 210), (190, 409)]),
        (0, 450, [(0, 210), (190, 410), (390, 450)]),
        (-17, 450, [(-17, 210), (190, 410), (390, 433)]),  # cut at multiples of 200 all the same
        (-29, 300, [(-29, 210), (190, 271)]),
        (-31, 300, [(-31, 10), (-10, 210), (190, 269)]),
        (30, 300, [(30, 210), (190, 330)]),
        (-450, 300, [(-450, -390), (-410, -190), (-210, -150)]),
    ],
)
def test_sections_cover_the_strip_and_reach_into_each_other(first_mm, columns, edges_mm):
    strip = np.full((30, columns), 9_000, np.uint16)
    pictures = section_pictures(seen_whole(strip), pitch_mm=1.0, s_first_mm=first_mm)
    edges_mm = [(a - 0.5, b - 0.5) for a, b in edges_mm]  # of pixels, not of their centres
    assert [(p.from_mm, p.to_mm) for p in pictures] == edges_mm
    assert [p.width_px for p in pictures] == [round(b - a) for a, b in edges_mm]
    assert [decode(p.uri).shape for p in pictures] == [(p.height_px, p.width_px) for p in pictures]


def test_large_strips_are_averaged_over_whole_squares():
    # 1101 × 8001 pixels are more than 6 million: squares of 2 × 2, the last ones half outside.
    strip = np.full((1101, 8001), 20_000, np.uint16)
    strip[::2] = 30_000
    pictures = section_pictures(seen_whole(strip), pitch_mm=0.1, s_first_mm=0.0)
    assert pictures[0].height_px == 551
    assert pictures[0].width_px == 1050
    assert pictures[0].to_mm - pictures[0].from_mm == pytest.approx(210)
    # The mean, 25000, shows as 130; the last row has only a line of 30000, which shows as 105.
    assert int(decode(pictures[0].uri)[100, 100]) == pytest.approx(130, abs=2)
    assert int(decode(pictures[0].uri)[550, 100]) == pytest.approx(105, abs=12)  # an edge in JPEG


def test_pixels_that_were_not_covered_are_striped_and_do_not_darken_their_neighbours():
    strip = np.full((2200, 4000), 20_000, np.uint16)
    origin = covered(strip)
    strip[:, 1000:1400], origin[:, 1000:1400] = 0, Origin.NOT_COVERED
    strip[:, 1400:1401], origin[:, 1400:1401] = 0, Origin.NOT_COVERED  # half a square
    (first, *_) = section_pictures(seen_whole(strip, origin), pitch_mm=0.1, s_first_mm=0.0)
    shown = decode(first.uri)
    stripes = shown[100:160, 520:680]
    assert stripes.max() > 215
    assert stripes.min() < 185
    assert shown[100:160, 705:760].astype(float) == pytest.approx(np.full((60, 55), 155), abs=4)


def test_window_spans_the_covered_gray_values_only():
    rng = np.random.default_rng(2)
    strip = rng.integers(10_000, 20_001, (500, 500)).astype(np.uint16)
    origin = covered(strip)
    strip[:, :250], origin[:, :250] = 0, Origin.NOT_COVERED
    window = display_window(strip, origin)
    # Uniform: percentiles 2 and 99.8 at 10200 and 19980, then 12 % of 9780 on each side; with
    # 125,000 values the 2 % point scatters by √(0.02·0.98/125000) of 10000, 4 gray values.
    assert window.low == pytest.approx(10_200 - 1_174, abs=20)
    assert window.high == pytest.approx(19_980 + 1_174, abs=20)


@pytest.mark.parametrize("value", [0, 700, 65_535])
def test_window_of_one_gray_value_is_never_empty(value):
    strip = np.full((4, 4), value, np.uint16)
    assert display_window(strip, covered(strip)).high > display_window(strip, covered(strip)).low
    nothing = display_window(strip, np.zeros((4, 4), np.uint8))
    assert nothing.high > nothing.low


@pytest.mark.parametrize(("clockwise", "bright_x"), [(True, 1), (False, -1)])
def test_ring_turns_the_way_the_scan_counts(clockwise, bright_x):
    strip = np.full((60, 1000), 50_000, np.uint16)
    strip[:, 200:300] = 0  # around a quarter of the turn: 3 o'clock if counted clockwise
    uri = ring_picture(
        seen_whole(strip),
        pitch_mm=1.0,
        s_first_mm=0.0,
        circumference_mm=1000.0,
        clockwise=clockwise,
    )
    ring = decode(uri)
    middle = ring.shape[0] // 2
    band = round(0.75 * middle)  # between the radii 0.58 and 0.87
    # JPEG at this quality keeps flat blocks to ± 2.
    assert ring[middle, middle + bright_x * band] >= 253
    assert ring[middle, middle - bright_x * band] < 12


def test_ring_is_striped_where_the_strip_does_not_reach():
    strip = np.zeros((60, 500), np.uint16)  # white, half a turn
    ring = decode(
        ring_picture(
            seen_whole(strip),
            pitch_mm=1.0,
            s_first_mm=0.0,
            circumference_mm=1000.0,
            clockwise=True,
        )
    )
    middle = ring.shape[0] // 2
    band = round(0.75 * middle)
    patch = ring[middle - 10 : middle + 10, middle - band - 10 : middle - band + 10]
    assert patch.max() > 215
    assert patch.min() < 185
    assert (ring[middle - 10 : middle + 10, middle + band] >= 253).all()
