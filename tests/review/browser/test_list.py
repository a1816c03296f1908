"""The list of welds: sound ones lead to their page, others tell what is wrong."""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.review.browser.conftest import served
from tests.weld_folder import ShippedResult

Open = Callable[..., Any]


@pytest.fixture
def mixed_address(chromium: Any, shipped_result: ShippedResult, tmp_path: Path) -> Iterator[str]:
    """A server over a sound weld, the same once more, and a folder of rubbish."""
    _, result, _ = shipped_result("small")
    for name in ("before", "after"):
        shutil.copytree(result, tmp_path / name, copy_function=os.link)
    (tmp_path / "rubbish").mkdir()
    (tmp_path / "rubbish" / "strip.tif").write_bytes(b"II*\0 <script>alert(1)</script>")
    yield from served(tmp_path)


def test_rubbish_is_listed_with_its_fault(mixed_address: str, open_page: Open) -> None:
    page = open_page(mixed_address, ready=False)
    page.wait_for_selector("#welds li")
    faulty = page.locator("#welds .faulty")
    assert faulty.count() == 1
    assert "rubbish" in faulty.inner_text()
    assert faulty.locator(".fault").inner_text()
    assert page.locator("#welds a").count() == 2
    page.locator("#find").fill("rubb")
    assert page.locator("#welds li:visible").count() == 1
    page.locator("#find").fill("")
    page.locator("#welds a").first.click()
    page.wait_for_selector("body[data-ready]")
    assert page.faults == []


def test_two_results_of_a_weld_are_compared(mixed_address: str, open_page: Open) -> None:
    """The same strip twice: their difference is the same gray all over."""
    page = open_page(mixed_address, ready=False)
    page.locator("#welds a").first.click()
    page.wait_for_selector("body[data-ready]")
    page.locator("[data-panel=compare]").click()
    page.locator("[data-way=difference]").click()
    page.wait_for_timeout(3000)
    box = page.locator("#film").bounding_box()
    x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
    clip = {"x": x - 20, "y": y - 20, "width": 40, "height": 40}
    even = page.screenshot(clip=clip)
    page.mouse.move(x, y)
    page.mouse.wheel(0, 300)
    page.wait_for_timeout(3000)
    assert page.screenshot(clip=clip) == even
    page.locator("[data-way=off]").click()
    page.wait_for_timeout(1000)
    assert page.screenshot(clip=clip) != even
    assert page.faults == []
