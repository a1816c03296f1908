"""Gray-level windows from statistics of what is looked at: quantiles of the 16-bit values."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from pipeline.model import RawImage, StripGrid
from pipeline.quality.noise.weld_line import find_weld_line
from pipeline.review.answers import BAD, RequestError
from pipeline.review.weld import OpenWeld

_QUANTILES = (0.1, 1.0, 5.0, 50.0, 95.0, 99.0, 99.9)
_LOW, _HIGH = 0.5, 99.5
_ENOUGH_PIXELS, _FIRST_PIXELS = 1_000_000, 300_000
_PLACES = 24  # along the strip, at which the weld is looked for: a page waits for it


def visible_window(
    weld: OpenWeld, s_mm: tuple[float, float], z_mm: tuple[float, float]
) -> dict[str, Any]:
    """Window and quantiles of the part between the places, of a copy with about a million pixels.

    Pixels that nothing is known of don't count.
    """
    known = _known(_overview_part(weld, s_mm, z_mm, _ENOUGH_PIXELS))
    if not known.size:
        raise RequestError(BAD, "nothing of the strip is known there", expected=weld.extent())
    found = np.percentile(known, [_LOW, _HIGH, *_QUANTILES]).tolist()
    told = {f"{q:g}": v for q, v in zip(_QUANTILES, found[2:], strict=True)}
    return {**_window("visible part", found[0], found[1]), "quantiles": told}


def level_windows(weld: OpenWeld) -> list[dict[str, Any]]:
    """Windows to begin with: the whole strip, and weld and metal beside it where a weld is seen."""
    with weld.busy:
        held = weld.kept.get("windows")
        if held is None:
            held = weld.kept["windows"] = _level_windows(weld)
    return list(held)


def _level_windows(weld: OpenWeld) -> list[dict[str, Any]]:
    page = _page_with(weld, weld.grid.rows * weld.grid.columns, _FIRST_PIXELS)
    image = weld.strip.read((0, weld.strip.shape(page)[0]), (0, weld.strip.shape(page)[1]), page)
    known = _known(image)
    if not known.size:
        return [_window("all", 0, 65535)]
    found = [_window("whole strip", *np.percentile(known, [0.1, 99.9]).tolist())]
    pitch_mm = weld.grid.pitch_mm * 2**page
    columns = min(image.shape[1], round(weld.grid.columns / 2**page))
    grid = StripGrid(
        image.shape[0], columns, pitch_mm, weld.grid.s_first_mm, weld.grid.z_first_mm, ring=False
    )
    every_mm = max(10.0, columns * pitch_mm / _PLACES)
    line = find_weld_line(image[:, :columns], None, grid, every_mm=every_mm)
    if line.seen.any():
        centre, half = (float(np.median(one[line.seen])) for one in (line.z_mm, line.half_width_mm))
        away = np.abs(grid.z_first_mm + np.arange(image.shape[0]) * pitch_mm - centre)
        for name, rows in (
            ("weld", away <= half),
            ("beside the weld", (away > half + 2) & (away < half + 20)),
        ):
            pixels = _known(image[rows])
            if pixels.size:
                found.append(_window(name, *np.percentile(pixels, [_LOW, _HIGH]).tolist()))
    return found


def _known(image: RawImage) -> RawImage:
    return image[image > 0]


def _window(name: str, low: float, high: float) -> dict[str, Any]:
    return {"name": name, "low": math.floor(low), "high": max(math.ceil(high), math.floor(low) + 1)}


def _page_with(weld: OpenWeld, pixels: float, most: int) -> int:
    """The finest page on which so many pixels of the strip become no more than ``most``."""
    page = 0
    while pixels > most and page + 1 < weld.strip.pages:
        page, pixels = page + 1, pixels / 4
    return page


def _overview_part(
    weld: OpenWeld, s_mm: tuple[float, float], z_mm: tuple[float, float], most: int
) -> RawImage:
    """What lies between the places in the finest copy of the strip that isn't too large."""
    grid = weld.grid
    first, end = weld.columns_between(s_mm)
    top = max(0, math.ceil((z_mm[0] - grid.z_first_mm) / grid.pitch_mm - 1e-6))
    bottom = min(grid.rows, math.floor((z_mm[1] - grid.z_first_mm) / grid.pitch_mm + 1e-6) + 1)
    if bottom <= top or end <= first:
        raise RequestError(BAD, "nothing of the strip lies there", expected=weld.extent())
    page = _page_with(weld, (bottom - top) * (end - first), most)
    rows_most, columns_most = weld.strip.shape(page)
    scale = 2**page
    rows = (min(top // scale, rows_most - 1), min(-(-bottom // scale), rows_most))
    around = grid.columns
    parts = []
    for low, high in ((first, min(end, around)), (0, end - around)):
        if high > low:
            columns = (min(low // scale, columns_most - 1), min(-(-high // scale), columns_most))
            parts.append(weld.strip.read(rows, columns, page).ravel())
    return np.concatenate(parts)
