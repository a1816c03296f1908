"""The strip on the screen: gray values, polarity, scale, and a ring without an edge."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from tests.review.browser.conftest import ServedWeld, key_of, served
from tests.review.browser.looked_at import Shown, screen_gray

Open = Callable[..., Any]
PLACES = ((0.3, 0.3), (0.5, 0.45), (0.62, 0.7), (0.45, 0.8))
ROUNDED = 1.0  # the screen has whole steps of gray, and the shader's float rounds once


def test_the_page_asks_nobody_else_and_complains_of_nothing(
    weld: ServedWeld, open_page: Open
) -> None:
    page = open_page(weld.address)
    page.locator("[data-panel=layers]").click()
    for name in ("seams", "filled", "noise", "count", "disagreement", "position"):
        page.locator(f"#layer-{name}").check()
        page.wait_for_timeout(300)
    page.locator("[data-does=lens]").click()
    page.wait_for_timeout(500)
    origin = weld.address.partition("/weld/")[0]
    assert [one for one in page.asked if not one.startswith((origin, "blob:", "data:"))] == []
    assert page.faults == []


@pytest.mark.parametrize("negative", [True, False])
def test_gray_values_come_to_the_screen_as_computed(
    weld: ServedWeld, open_page: Open, negative: bool
) -> None:
    """At 1:1 each pixel of the screen is one of the file's, through the typed window.

    Checked against the file as tifffile reads it and a straight line between the window's ends.
    """
    page = open_page(weld.address)
    shown = Shown(page, weld.folder)
    assert page.locator("#polarity").inner_text() == "NEGATIVE"
    if not negative:
        page.locator("#film").focus()
        page.keyboard.press("x")
        assert page.locator("#polarity").inner_text() == "POSITIVE"
    page.locator("[data-does=pixels]").click()
    quarter, most = np.percentile(shown.values[shown.values > 0], [5, 95])
    for low, high in ((int(quarter), int(most)), (0, 65535), (int(quarter), int(quarter) + 256)):
        shown.window(low, high)
        page.wait_for_timeout(500)
        for across, down in PLACES:
            x, y = shown.at(across, down)
            told = shown.point(x, y)
            value = int(shown.values[shown.pixel(told)])
            assert told["gray value"] == str(value)
            want = screen_gray(value, low, high, negative=negative)
            assert shown.picture()[y, x].astype(float) == pytest.approx([want] * 3, abs=ROUNDED)


def test_the_datum_is_no_edge(weld: ServedWeld, open_page: Open) -> None:
    """Above the datum the ring's end is on the screen, and both sides are the file's pixels."""
    page = open_page(weld.address)
    shown = Shown(page, weld.folder)
    page.locator("[data-does=pixels]").click()
    page.locator("#film").focus()
    page.keyboard.press("Home")
    page.wait_for_timeout(1500)
    low, high = 0, int(shown.values.max())
    shown.window(low, high)
    around = shown.facts["circumference_mm"]
    before, after = shown.at(0.4, 0.3), shown.at(0.4, 0.7)
    told_before, told_after = shown.point(*before), shown.point(*after)
    assert float(told_before["s from datum"].split()[0]) > around * 0.75
    assert float(told_after["s from datum"].split()[0]) < around * 0.25
    picture = shown.picture()
    for (x, y), told in ((before, told_before), (after, told_after)):
        want = screen_gray(shown.values[shown.pixel(told)], low, high, negative=True)
        assert picture[y, x, 0] == pytest.approx(want, abs=ROUNDED)


def test_walking_on_comes_round(weld: ServedWeld, open_page: Open) -> None:
    page = open_page(weld.address)
    place = page.locator("#dial-drawing")
    page.locator("#film").focus()
    page.keyboard.press("Home")
    seen = []
    for _ in range(40):
        page.keyboard.press("PageDown")
        page.wait_for_timeout(200)
        seen.append(float(place.get_attribute("aria-valuenow")))
        if len(seen) > 1 and seen[-1] < seen[-2]:
            break
    assert len(seen) > 2
    assert seen[-1] < seen[-2], "the ring never came round"
    assert seen[:-1] == sorted(seen[:-1])


def test_the_dial_leads_to_where_it_is_pointed_at(weld: ServedWeld, open_page: Open) -> None:
    """Three o'clock is a quarter of the way round from the datum at twelve, clockwise."""
    page = open_page(weld.address)
    around = Shown(page, weld.folder).facts["circumference_mm"]
    box = page.locator("#dial-drawing").bounding_box()
    page.mouse.click(box["x"] + box["width"] * 0.8, box["y"] + box["height"] / 2)
    page.wait_for_timeout(500)
    place = page.locator("#dial-drawing")
    degree = around / 360
    assert float(place.get_attribute("aria-valuenow")) == pytest.approx(around / 4, abs=degree)
    assert place.get_attribute("aria-valuetext").startswith("3:0") or place.get_attribute(
        "aria-valuetext"
    ).startswith("2:59")


def test_a_millimetre_is_as_long_as_the_screen_says(weld: ServedWeld, open_page: Open) -> None:
    """The card of 85.60 mm (ISO/IEC 7810 ID-1) and as much of the strip are equally long."""
    page = open_page(weld.address)
    page.locator("[data-panel=keys]").click()
    page.locator("#card-size").fill("300")
    page.locator("[data-does=millimetres]").click()
    page.wait_for_timeout(500)
    shown = Shown(page, weld.folder)
    (x0, y0), (x1, y1) = shown.at(0.46, 0.4), shown.at(0.54, 0.4)
    z0, z1 = (float(shown.point(x, y)["z"].split()[0]) for x, y in ((x0, y0), (x1, y1)))
    on_card = (x1 - x0) * 85.60 / page.locator("#card").bounding_box()["width"]
    pixel_mm = shown.facts["pitch_mm"]  # the server answers for the nearest pixel, at both ends
    assert abs(z1 - z0) == pytest.approx(on_card, abs=pixel_mm)


def test_the_frames_that_saw_a_spot_lie_beside_each_other(
    small_finished: Path, chromium: Any, open_page: Open
) -> None:
    """Each twice, corrected and as read, in the film's own polarity and with the spot marked."""
    for address in served(small_finished, "--read-only"):
        key = key_of(chromium, address, "result")
        page = open_page(f"{address}/weld/{key}")
        shown = Shown(page, small_finished / "result")
        x, y = shown.at(0.5, 0.5)
        told = shown.point(x, y)
        page.mouse.click(x, y)
        page.wait_for_selector("#spot figure")
        figures = page.locator("#spot figure")
        assert figures.count() == int(next(one for one in told if "seen by" in one).split()[-1])
        sizes = page.evaluate(
            "[...document.querySelectorAll('#spot img')].map(i => i.naturalWidth)"
        )
        assert len(sizes) == 2 * figures.count()
        assert min(sizes) > 10
        image = page.locator("#spot img").first
        assert image.evaluate("i => getComputedStyle(i).filter") == "invert(1)"
        page.locator("#film").focus()
        page.keyboard.press("x")
        assert image.evaluate("i => getComputedStyle(i).filter") == "none"
        assert page.faults == []
