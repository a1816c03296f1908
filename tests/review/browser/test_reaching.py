"""Everybody can use the page: keyboard, touch, large text, contrast, a tablet upright."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from tests.review.browser.conftest import ServedWeld
from tests.review.browser.looked_at import Shown, written

Open = Callable[..., Any]
PANELS = ("gray", "layers", "spot", "measure", "marks", "compare", "keys")

CONTRASTS = """() => {
  const parts = (text) => text.match(/[\\d.]+/g).map(Number);
  const light = ([r, g, b]) => [r, g, b].map((v) => v / 255)
    .map((v) => (v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4))
    .reduce((sum, v, k) => sum + v * [0.2126, 0.7152, 0.0722][k], 0);
  const ground = (node) => {
    for (let at = node; at; at = at.parentElement) {
      const [r, g, b, a = 1] = parts(getComputedStyle(at).backgroundColor);
      if (a > 0.7) return [r, g, b];
    }
    return [255, 255, 255];
  };
  const found = [];
  const walk = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  while (walk.nextNode()) {
    const node = walk.currentNode.parentElement;
    if (!walk.currentNode.textContent.trim() || !node.checkVisibility()) continue;
    if (node.closest("svg, .skip")) continue;
    const [a, b] = [light(parts(getComputedStyle(node).color)), light(ground(node))];
    found.push([(Math.max(a, b) + 0.05) / (Math.min(a, b) + 0.05), node.textContent.trim()]);
  }
  return found;
}"""
"""Contrast of every text, by WCAG 2.2's definitions of contrast ratio and relative luminance."""

CUT_OFF = """() => [...document.querySelectorAll("button, .button, h1, h2, legend, dd, dt, label")]
  .filter((node) => node.checkVisibility() && node.scrollWidth > node.clientWidth + 1
    && getComputedStyle(node).display !== "inline" && !node.querySelector("input, select"))
  .map((node) => node.textContent)"""

OUTSIDE = """() => [...document.querySelectorAll("button, input, select, a")]
  .filter((node) => node.checkVisibility() && !node.matches(".skip"))
  .filter((node) => { const box = node.getBoundingClientRect();
    return box.left < -1 || box.right > innerWidth + 1; })
  .map((node) => node.textContent || node.id)"""


def test_with_the_keyboard_alone(weld: ServedWeld, open_page: Open) -> None:
    """From opening the page to a saved mark, a measure and another gray window."""
    page = open_page(weld.address)
    press = page.keyboard.press
    press("i")
    page.locator("#author").focus()
    page.keyboard.type("K. Example")
    press("Tab")
    page.locator("#film").focus()
    press("1")
    press("ArrowDown")
    press("ArrowRight")
    assert page.locator("#cross").is_visible()
    press(".")
    with page.expect_response(written):
        press("Enter")
    page.wait_for_selector("#marks [data-mark]")
    before = page.locator("#window-told").inner_text()
    press("Shift+ArrowUp")
    assert page.locator("#window-told").inner_text() != before
    press("p")
    press("Enter")
    for _ in range(3):
        press("ArrowRight")
    with page.expect_response("**/measure") as answered:
        press("Enter")
    assert answered.value.status == 200
    page.wait_for_selector("#measure .plot")
    press("Escape")
    with page.expect_response("**/probe?*"):
        press("Enter")
    page.wait_for_selector("#panel-spot", state="visible")


def test_letters_can_be_switched_off(weld: ServedWeld, open_page: Open) -> None:
    """WCAG 2.2, 2.1.4: keys of one character can be turned off."""
    page = open_page(weld.address)
    page.locator("[data-panel=keys]").click()
    page.locator("#letters").uncheck()
    page.locator("#film").focus()
    page.keyboard.press("x")
    assert page.locator("#polarity").inner_text() == "NEGATIVE"
    page.locator("[data-panel=keys]").click()
    page.locator("#film").focus()
    page.keyboard.press("?")
    assert page.locator("#panel-keys").is_visible()


def test_every_stop_of_the_tab_key_is_seen(weld: ServedWeld, open_page: Open) -> None:
    page = open_page(weld.address)
    page.locator("[data-panel=gray]").click()
    page.locator(".skip").focus()
    stops: list[str] = []
    for _ in range(60):
        page.keyboard.press("Tab")
        name, outline = page.evaluate(
            """() => { const at = document.activeElement; const style = getComputedStyle(at);
              const outline = `${style.outlineStyle} ${style.outlineWidth}`;
              return [at.id || at.textContent.slice(0, 30), outline]; }"""
        )
        if page.evaluate("document.activeElement === document.body"):
            break  # once through
        stops.append(name)
        assert outline == "solid 3px", name
    assert {"film", "dial-drawing", "gray-low", "polarity-button"} <= set(stops)


def test_with_a_finger(weld: ServedWeld, open_page: Open) -> None:
    page = open_page(
        weld.address, viewport={"width": 820, "height": 1180}, has_touch=True, is_mobile=True
    )
    shown = Shown(page, weld.folder)
    x, y = shown.at(0.5, 0.5)
    with page.expect_response("**/probe?*"):
        page.touchscreen.tap(x, y)
    page.wait_for_selector("#told dd")
    page.wait_for_selector("#panel-spot", state="visible")
    page.get_by_role("button", name="close", exact=True).click()
    before = float(page.locator("#dial-drawing").get_attribute("aria-valuenow"))
    touch = page.context.new_cdp_session(page)
    for kind, at in (
        ("touchStart", y),
        *(("touchMove", y - 20 * k) for k in range(1, 9)),
        ("touchEnd", None),
    ):
        points = [] if at is None else [{"x": x, "y": at}]
        touch.send("Input.dispatchTouchEvent", {"type": kind, "touchPoints": points})
        page.wait_for_timeout(30)
    page.wait_for_timeout(1000)
    after = float(page.locator("#dial-drawing").get_attribute("aria-valuenow"))
    assert after > before, "a finger moved up goes on along the strip"
    small = page.evaluate(
        """[...document.querySelectorAll("button")].filter((one) => one.checkVisibility())
          .filter((one) => one.getBoundingClientRect().height < 24).map((one) => one.textContent)"""
    )
    assert small == [], "WCAG 2.2, 2.5.8: targets of 24 pixels at least"


@pytest.mark.parametrize("bright", [False, True])
def test_all_words_stand_out(weld: ServedWeld, open_page: Open, bright: bool) -> None:
    """WCAG 2.2, 1.4.3: 4.5 to 1 at least."""
    page = open_page(weld.address)
    page.locator("[data-panel=keys]").click()
    page.locator("#bright").set_checked(bright)
    for panel in PANELS:
        button = page.locator(f"[data-panel={panel}]")
        if button.get_attribute("aria-expanded") == "false":
            button.click()
        page.mouse.move(0, 0)
        page.wait_for_timeout(200)
        assert [(one, words) for one, words in page.evaluate(CONTRASTS) if one < 4.5] == []


@pytest.mark.parametrize("size", [(1280, 800), (820, 1180)])
def test_text_twice_as_large_loses_nothing(
    weld: ServedWeld, open_page: Open, size: tuple[int, int]
) -> None:
    """WCAG 2.2, 1.4.4: 200 %."""
    page = open_page(weld.address, viewport={"width": size[0], "height": size[1]})
    page.evaluate("document.documentElement.style.fontSize = '200%'")
    for panel in PANELS:
        if not page.locator(f"#panel-{panel}").is_visible():
            page.locator(f"[data-panel={panel}]").click()
        page.wait_for_timeout(200)
        assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
        assert page.evaluate(CUT_OFF) == []
        assert page.evaluate(OUTSIDE) == []
        page.locator("#drawer .close").click()
    box = page.locator("#film").bounding_box()
    assert box["width"] >= 200
    assert box["height"] >= 200


def test_on_paper_stand_picture_window_polarity_and_marks(
    weld: ServedWeld, open_page: Open
) -> None:
    page = open_page(weld.address)
    page.evaluate("window.dispatchEvent(new Event('beforeprint'))")
    page.emulate_media(media="print")
    assert page.locator("#print img").is_visible()
    assert not page.locator("#film").is_visible()
    told = page.locator("#print").inner_text()
    assert "negative: more dose is darker" in told
    assert "gray values" in told
    assert (
        page.evaluate(
            """async () => { const img = document.querySelector("#print img"); await img.decode();
          const canvas = document.createElement("canvas"); [canvas.width, canvas.height] = [64, 64];
          const paper = canvas.getContext("2d"); paper.drawImage(img, 0, 0, 64, 64);
          return new Set(paper.getImageData(0, 0, 64, 64).data).size; }"""
        )
        > 10
    ), "the film is on it, not an empty frame"
