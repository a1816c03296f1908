"""What can be read off the page, and what the files say it should be."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.io.strip import read_strip


class Shown:
    """The strip as it is on the screen."""

    def __init__(self, page: Any, folder: Path) -> None:
        self.page = page
        self.values, self.facts = read_strip(folder / "strip.tif")
        self.turn_px = round(self.facts["circumference_mm"] / self.facts["pitch_mm"])

    def film(self) -> tuple[float, float, float, float]:
        """The film's box on the screen: left, top, width, height."""
        box = self.page.locator("#film").bounding_box()
        return box["x"], box["y"], box["width"], box["height"]

    def at(self, across: float, down: float) -> tuple[int, int]:
        """A whole pixel of the screen, at these parts of the film's width and height."""
        left, top, width, height = self.film()
        return round(left + across * width), round(top + down * height)

    def point(self, x: int, y: int) -> dict[str, str]:
        """What the page tells of the point under the pointer there, by the words beside it."""
        answer = "**/probe?*"
        with self.page.expect_response(answer):
            self.page.mouse.move(x, y - 30)  # along the strip, so as not to leave it
        with self.page.expect_response(answer):
            self.page.mouse.move(x + 0.5, y + 0.5)
        self.page.wait_for_timeout(500)
        terms = self.page.locator("#told dt").all_inner_texts()
        return dict(zip(terms, self.page.locator("#told dd").all_inner_texts(), strict=True))

    def pixel(self, told: dict[str, str]) -> tuple[int, int]:
        """(row, column) in the file of a point as the page tells it."""
        pitch = self.facts["pitch_mm"]
        s, z = (float(told[name].split()[0]) for name in ("s from datum", "z"))
        row = round((z - self.facts["z_first_mm"]) / pitch)
        return row, round((s - self.facts["s_first_mm"]) / pitch) % self.turn_px

    def picture(self) -> NDArray[np.uint8]:
        """What is on the screen, (rows, columns, blue green red)."""
        # Words and lines over the film would be taken for it.
        style = ".polarity, .scale, .said, .overlay, .cross { visibility: hidden }"
        png = self.page.screenshot(style=style)
        return np.asarray(cv2.imdecode(np.frombuffer(png, np.uint8), cv2.IMREAD_COLOR))

    def window(self, low: int, high: int) -> None:
        """Types a gray window."""
        if not self.page.locator("#gray-low").is_visible():
            self.page.locator("[data-panel=gray]").click()
        self.page.locator("#gray-high").fill(str(high))
        self.page.locator("#gray-low").fill(str(low))
        self.page.locator("#gray-low").press("Tab")
        self.page.wait_for_timeout(300)


def screen_gray(value: float, low: int, high: int, *, negative: bool) -> float:
    """What the screen shows of a gray value, 0 to 255: a straight line between two ends."""
    part = min(1.0, max(0.0, (value - low) / (high - low)))
    return 255 * (1 - part if negative else part)


def written(response: Any) -> bool:
    """Whether this answers a mark that was written, and not a look for other tabs' marks."""
    return response.request.method == "POST" and response.url.endswith("/marks")
