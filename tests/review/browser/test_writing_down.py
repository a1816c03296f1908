"""Indications in the browser: saved at once, kept, not overwritten; what was looked at."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Callable
from typing import Any

import pytest

from tests.review.browser.conftest import ServedWeld, key_of
from tests.review.browser.looked_at import Shown, written

Open = Callable[..., Any]


def draw(page: Any, weld: ServedWeld, tool: str = "box") -> tuple[dict[str, str], dict[str, str]]:
    """Draws from one place to another; gives what the page told of both ends."""
    shown = Shown(page, weld.folder)
    page.locator("[data-panel=marks]").click()
    page.locator("#author").fill("B. Example")
    page.locator("#author").press("Tab")
    page.locator("[data-tool=move]").click()
    first, last = shown.at(0.4, 0.4), shown.at(0.6, 0.55)
    ends = shown.point(*first), shown.point(*last)
    page.locator(f"[data-tool={tool}]").click()
    page.mouse.move(*first)
    page.mouse.down()
    page.mouse.move(first[0] + 20, first[1] + 20)
    page.mouse.move(*last)
    with page.expect_response(written):
        page.mouse.up()
    page.wait_for_selector("#marks [data-mark]")
    return ends


def test_a_mark_is_there_after_a_reload_and_in_the_export(
    weld: ServedWeld, open_page: Open
) -> None:
    page = open_page(weld.address)
    ends = draw(page, weld)
    page.locator("#marks select").select_option(index=2)
    word = page.locator("#marks select").input_value()
    page.wait_for_timeout(500)
    page.locator("#marks textarea").fill("bright edge; ½ of it")
    with page.expect_response(written):
        page.locator("#marks textarea").press("Tab")
    page.reload()
    page.wait_for_selector("body[data-ready]")
    page.locator("[data-panel=marks]").click()
    assert page.locator("#marks [data-mark]").count() == 1
    assert page.locator("#marks select").input_value() == word
    assert page.locator("#marks textarea").input_value() == "bright edge; ½ of it"
    with page.expect_download() as started:
        page.locator("#export").click()
    text = started.value.path().read_text(encoding="utf-8-sig")
    row = next(csv.DictReader(io.StringIO(text)))
    assert word in row.values()
    pixel_mm = Shown(page, weld.folder).facts["pitch_mm"]
    told = sorted(float(end["z"].split()[0]) for end in ends)
    assert [float(row["z_first_mm"]), float(row["z_last_mm"])] == pytest.approx(told, abs=pixel_mm)


def test_nothing_written_is_ever_taken_out_of_the_journal(
    weld: ServedWeld, open_page: Open
) -> None:
    page = open_page(weld.address)
    draw(page, weld)
    before = weld.journal.read_bytes()
    with page.expect_response(written):
        page.get_by_role("button", name="take back").click()
    page.wait_for_selector("#marks .gone")
    after = weld.journal.read_bytes()
    assert after.startswith(before)
    assert len(after) > len(before)
    assert [json.loads(line) for line in after.splitlines()]


def test_two_tabs_tell_each_other(weld: ServedWeld, open_page: Open) -> None:
    """The second to change a mark sees what the first wrote, and decides."""
    first = open_page(weld.address)
    draw(first, weld)
    second = open_page(weld.address, context=first.context)
    second.locator("[data-panel=marks]").click()
    second.wait_for_selector("#marks textarea")
    first.locator("#marks textarea").fill("from the first")
    with first.expect_response(written):
        first.locator("#marks textarea").press("Tab")
    second.locator("#marks textarea").fill("from the second")
    with second.expect_response(written) as answered:
        second.locator("#marks textarea").press("Tab")
    assert answered.value.status == 409
    second.wait_for_selector(".conflict")
    assert second.locator("#marks textarea").input_value() == "from the first"
    assert "from the second" in second.locator(".conflict").inner_text()
    with second.expect_response(written) as answered:
        second.get_by_role("button", name="write mine as well").click()
    assert answered.value.status == 200
    second.wait_for_function(
        "document.querySelector('#marks textarea').value === 'from the second'"
    )
    told = weld.journal.read_text(encoding="utf-8")
    assert "from the first" in told
    assert "from the second" in told


def test_without_a_name_nothing_is_written(weld: ServedWeld, open_page: Open) -> None:
    page = open_page(weld.address)
    shown = Shown(page, weld.folder)
    page.locator("[data-tool=point]").click()
    page.mouse.click(*shown.at(0.5, 0.5))
    page.wait_for_timeout(500)
    assert "name" in page.locator("#said").inner_text()
    assert page.evaluate("document.activeElement.id") == "author"
    assert page.locator("#marks [data-mark]").count() == 0


def test_read_only_offers_no_writing(
    read_only_address: str, chromium: Any, open_page: Open
) -> None:
    key = key_of(chromium, read_only_address, "one")
    page = open_page(f"{read_only_address}/weld/{key}")
    assert page.locator("#read-only").is_visible()
    assert page.locator("[data-tool=box]").count() == 0
    page.locator("[data-panel=marks]").click()
    assert not page.locator("#author").is_visible()
    status = page.evaluate(
        """async (key) => {
          const token = document.querySelector("meta[name=token]").content;
          const headers = { "Content-Type": "application/json", "X-Girthstrip-Token": token };
          const body = '{"version":0,"author":"X","mark":{}}';
          return (await fetch(`/api/weld/${key}/marks`, { method: "POST", headers, body })).status;
        }""",
        key,
    )
    assert status == 403


def test_what_was_looked_at_closely_is_noted(weld: ServedWeld, open_page: Open) -> None:
    page = open_page(weld.address)
    page.locator("[data-does=pixels]").click()
    left, top, width, height = Shown(page, weld.folder).film()
    with page.expect_request("**/seen", timeout=20_000) as asked:
        for _ in range(12):  # somebody is there
            page.wait_for_timeout(400)
            page.mouse.move(left + width / 2, top + height / 2)
            if weld.journal.exists():
                break
    assert asked.value.method in ("GET", "POST")
    page.wait_for_function("parseFloat(document.querySelector('#seen-percent').textContent) > 0")
    page.reload()
    page.wait_for_selector("body[data-ready]")
    page.wait_for_function("parseFloat(document.querySelector('#seen-percent').textContent) > 0")
    assert page.locator(".dial-seen path").count() > 0


def test_a_glance_from_afar_is_not_noted(weld: ServedWeld, open_page: Open) -> None:
    page = open_page(weld.address)
    for _ in range(4):
        page.locator("[data-does=further]").click()
    # A slow machine may have shown the opening view, which is near enough, long enough to count.
    page.wait_for_timeout(1500)
    seen = page.locator("#seen-percent").inner_text()
    page.wait_for_timeout(4000)
    assert page.locator("#seen-percent").inner_text() == seen
    assert seen in ("0 %", "0.0 %") or weld.journal.exists()
