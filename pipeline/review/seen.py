"""What of a strip has been looked at, at one screen pixel a strip pixel or closer, and how long.

The strip is laid out in cells of 2 mm. A view counts for the cells whose middle it shows; a cell
has been seen after a second in all. Where no frame covered a cell there is nothing to see in it.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.io.growing_file import GrowingFile, Record
from pipeline.model import FloatArray
from pipeline.review.answers import BAD, RequestError
from pipeline.review.journal import SEEN
from pipeline.review.mark_rules import number
from pipeline.review.weld import OpenWeld

CELL_MM = 2.0
ENOUGH_S = 1.0
_MOST_S = 60.0
_LEAST_SCALE = 0.999  # 1:1 as browsers round it
_VIEW = ("s0", "s1", "z0", "z1", "seconds")


def write_seen(journal: GrowingFile, told: Mapping[str, Any], weld: OpenWeld) -> dict[str, Any]:
    """Write down a view, and give all that was seen.

    Raises:
        RequestError: the view is at fault, or wasn't at 1:1 or closer.
    """
    view = {name: number(told, name) for name in (*_VIEW, "scale")}
    if view["scale"] < _LEAST_SCALE:
        expected = "a screen pixel or more for a strip pixel"
        raise RequestError(BAD, "the view was smaller than 1:1", expected=expected)
    if not 0 < view["seconds"] <= _MOST_S:
        raise RequestError(
            BAD, "seconds since the last view", expected=f"more than 0, {_MOST_S:g} most"
        )
    if view["s1"] <= view["s0"] or view["z1"] <= view["z0"]:
        raise RequestError(BAD, "the view has no size", expected="s0 < s1 and z0 < z1")
    strip = weld.log.strip.pixels_sha256
    record = {
        "record": SEEN,
        **{name: round(value, 3) for name, value in view.items()},
        "time": datetime.now(UTC).isoformat(timespec="seconds"),
        "strip": strip,
    }

    def make(records: Sequence[Record]) -> Record:
        return {**record, "percent": _told([*records, record], weld)["percent"]}

    return _told(journal.append(make), weld)


def seen_of(journal: GrowingFile, weld: OpenWeld) -> dict[str, Any]:
    """All that was seen of the weld's present strip: see ``write_seen``."""
    return _told(journal.read()[0], weld)


def seen_percent(journal: GrowingFile, strip: str | None) -> float:
    """What the last view of this strip made of the percentage; the weld isn't opened for it."""
    for one in reversed(journal.read()[0]):
        if one.get("record") == SEEN and one.get("strip") == strip:
            told = one.get("percent")
            return float(told) if isinstance(told, int | float) else 0.0
    return 0.0


def _told(records: Sequence[Record], weld: OpenWeld) -> dict[str, Any]:
    there = _covered_cells(weld)
    seconds = _seconds(records, weld, there.shape)
    seen = (seconds >= ENOUGH_S) & there
    count = int(there.sum())
    whole = np.asarray((seen | ~there).all(axis=0) & there.any(axis=0))
    some = np.asarray(seen.any(axis=0)) & ~whole
    least = np.where(there, seconds, np.inf).min(axis=0)
    least[~np.isfinite(least)] = 0.0
    return {
        "ranges": _ranges(whole, weld),
        "part": _ranges(some, weld),
        # Rounded down: 100 only where nothing is left.
        "percent": math.floor(1000 * int(seen.sum()) / count) / 10 if count else 0.0,
        "step_mm": CELL_MM,
        "seconds": np.round(least, 1).tolist(),
    }


def _seconds(records: Sequence[Record], weld: OpenWeld, shape: tuple[int, int]) -> FloatArray:
    """How long each cell (rows, columns) was looked at."""
    found = np.zeros(shape)
    grid, strip = weld.grid, weld.log.strip.pixels_sha256
    for one in records:
        if one.get("record") != SEEN or one.get("strip") != strip:
            continue
        view = [value for value in map(one.get, _VIEW) if isinstance(value, int | float)]
        if len(view) != len(_VIEW):
            continue
        s0, s1, z0, z1, seconds = view
        top, bottom = _cells(z0, z1, grid.z_first_mm)
        first, end = _cells(s0, s1, grid.s_first_mm)
        rows = slice(max(top, 0), max(bottom, 0))
        if grid.ring:
            around = grid.columns * grid.pitch_mm
            cells = np.arange(first, min(end, first + shape[1] + 1)) + 0.5
            columns = np.unique((cells * CELL_MM % around // CELL_MM).astype(np.int64))
            found[rows, columns[columns < shape[1]]] += seconds
        else:
            found[rows, max(first, 0) : max(end, 0)] += seconds
    return found


def _cells(low_mm: float, high_mm: float, first_mm: float) -> tuple[int, int]:
    """The cells [first, end) whose middles lie between the places."""
    low, high = (low_mm - first_mm) / CELL_MM, (high_mm - first_mm) / CELL_MM
    return math.ceil(low - 0.5), math.floor(high - 0.5) + 1


def _covered_cells(weld: OpenWeld) -> NDArray[np.bool_]:
    """Which cells show anything, by the smallest copy of the strip; none counts if none does."""
    with weld.busy:
        held = weld.kept.get("cells")
        if held is None:
            held = weld.kept["cells"] = _look(weld)
    return np.asarray(held)


def _look(weld: OpenWeld) -> NDArray[np.bool_]:
    grid = weld.grid
    cells = [
        max(1, math.ceil(count * grid.pitch_mm / CELL_MM - 0.5))
        for count in (grid.rows, grid.columns)
    ]
    page = 0
    while page + 1 < weld.strip.pages and 2 ** (page + 1) * grid.pitch_mm <= CELL_MM / 2:
        page += 1
    rows, columns = weld.strip.shape(page)
    step = CELL_MM / (grid.pitch_mm * 2**page)
    at = [
        np.minimum(((np.arange(count) + 0.5) * step).astype(np.int64), most - 1)
        for count, most in zip(cells, (rows, columns), strict=True)
    ]
    image = weld.strip.read((0, rows), (0, columns), page)
    return np.asarray(image[np.ix_(at[0], at[1])] > 0)


def _ranges(columns: NDArray[np.bool_], weld: OpenWeld) -> list[list[float]]:
    """From … to, mm from the datum, of the runs of columns."""
    grid = weld.grid
    last = grid.s_first_mm + grid.columns * grid.pitch_mm
    edges = np.flatnonzero(np.diff(np.concatenate([[0], columns.astype(np.int8), [0]])))
    places = [min(grid.s_first_mm + CELL_MM * int(edge), last) for edge in edges]
    return [[round(a, 3), round(b, 3)] for a, b in zip(places[::2], places[1::2], strict=True)]
