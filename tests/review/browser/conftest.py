"""The real server over a folder of welds, and Chromium to look at its page with.

Chromium draws with its own software, so that what it shows doesn't depend on the machine.
"""

from __future__ import annotations

import os
import re
import shutil
import subprocess
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

from tests.weld_folder import COMMAND, ShippedResult

COPIES = 32
"""So many tests of one process write to a weld of their own."""
SOFTWARE_GL = ("--use-angle=swiftshader", "--enable-unsafe-swiftshader")
WAIT_MS = 60_000  # a shared machine may be slow; nothing here is about speed


@dataclass
class Site:
    """A running server: its address, the folder that it serves, and the welds not yet used."""

    address: str
    root: Path
    free: list[str] = field(default_factory=list)


@pytest.fixture(scope="session")
def chromium() -> Iterator[Any]:
    """Debian's Chromium without a screen."""
    sync_api = pytest.importorskip("playwright.sync_api", reason="playwright isn't installed")
    program = shutil.which("chromium")
    if program is None:
        pytest.skip("chromium isn't installed (Debian: apt install chromium)")
    arguments = [*SOFTWARE_GL, *(["--no-sandbox"] if os.geteuid() == 0 else [])]
    with sync_api.sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=program, args=arguments)
        yield browser
        browser.close()


@pytest.fixture
def open_page(chromium: Any) -> Iterator[Callable[..., Any]]:
    """Opens an address in a new tab of a browser that remembers nothing; each tab's ``faults`` are
    what its console and scripts complained of, ``asked`` all addresses that it asked for."""
    contexts = []

    def opened(address: str, *, context: Any = None, ready: bool = True, **wanted: Any) -> Any:
        if context is None:
            viewport = {"width": 1280, "height": 800}
            context = chromium.new_context(**{"viewport": viewport, **wanted})
            contexts.append(context)
        page = context.new_page()
        page.set_default_timeout(WAIT_MS)
        page.faults, page.asked = [], []
        page.on("pageerror", lambda error: page.faults.append(str(error)))
        page.on("console", lambda told: told.type == "error" and page.faults.append(told.text))
        page.on("request", lambda request: page.asked.append(request.url))
        page.goto(address)
        if ready:
            page.wait_for_selector("body[data-ready]")
        return page

    yield opened
    for context in contexts:
        context.close()


def served(folder: Path, *options: str) -> Iterator[str]:
    """Runs ``girthstrip review`` until the generator is closed; gives its address."""
    command = [*COMMAND, "review", str(folder), "--port", "0", *options]
    with subprocess.Popen(
        command, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True
    ) as server:
        assert server.stdout is not None
        told = []
        for line in server.stdout:
            told.append(line)
            found = re.search(r"http://127\.0\.0\.1:\d+", line)
            if found:
                break
        else:
            pytest.fail(f"the server ended: {''.join(told)}")
        try:
            yield found.group()
        finally:
            server.terminate()
            server.wait(30)


@pytest.fixture(scope="session")
def site(
    chromium: Any, shipped_result: ShippedResult, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[Site]:
    """A server over copies of one small weld."""
    _, result, _ = shipped_result("small")
    root = tmp_path_factory.mktemp("welds")
    names = [f"copy{number:02}" for number in range(COPIES)]
    for name in names:
        shutil.copytree(result, root / name, copy_function=os.link)
    for address in served(root):
        yield Site(address, root, names)


@pytest.fixture
def read_only_address(
    chromium: Any, shipped_result: ShippedResult, tmp_path: Path
) -> Iterator[str]:
    """A server that writes nothing, over one weld."""
    _, result, _ = shipped_result("small")
    shutil.copytree(result, tmp_path / "welds" / "one", copy_function=os.link)
    yield from served(tmp_path / "welds", "--read-only")


@dataclass(frozen=True)
class ServedWeld:
    """A weld that nobody else writes to: its page, its result folder, and where it is written."""

    address: str
    folder: Path

    @property
    def journal(self) -> Path:
        """What the reviewer wrote, beside the result."""
        return self.folder.with_name(f"{self.folder.name}.review.jsonl")


@pytest.fixture
def weld(site: Site, chromium: Any) -> ServedWeld:
    """One of the copies."""
    name = site.free.pop()
    return ServedWeld(
        f"{site.address}/weld/{key_of(chromium, site.address, name)}", site.root / name
    )


def key_of(chromium: Any, address: str, label: str) -> str:
    """The key by which the server knows a weld."""
    page = chromium.new_page()
    told = page.request.get(f"{address}/api/welds").json()["welds"]
    page.close()
    return str(next(one["key"] for one in told if one["label"] == label))
