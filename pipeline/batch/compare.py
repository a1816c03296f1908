"""All new results below a root against the old ones, as page, table and record."""

from __future__ import annotations

import json
import os
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

from pipeline.batch.entry import Entry
from pipeline.batch.names import beside_text
from pipeline.outputs.batch.change import Change
from pipeline.outputs.batch.page import IN_DETAIL, render_changes
from pipeline.outputs.batch.pair import compare_pair
from pipeline.outputs.batch.picture import data_uri
from pipeline.outputs.batch.tables import changes_csv, changes_record

Progress = Callable[[str, int, int], None]

PAGE, TABLE, RECORD, PICTURES = "changes.html", "changes.csv", "changes.json", "differences"
_MOST_THREADS = 4  # each holds two strips with their maps


@dataclass(frozen=True, slots=True)
class Pair:
    """Two results of a weld: absolute paths, and why it was made anew."""

    weld: str
    old: str
    new: str
    why: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Picture:
    """Where two strips differ: PNG, and the σ of its full colour."""

    png: bytes
    reach: float


def pairs_of(entries: Sequence[Entry]) -> Sequence[Pair]:
    """The pairs of welds whose new result waits beside the old one."""
    return [Pair(one.weld, one.result, beside_text(one.result), one.reasons) for one in entries]


def compare_pairs(
    pairs: Sequence[Pair], progress: Progress | None = None
) -> tuple[Sequence[Change], dict[str, Picture]]:
    """What changed, in the order of the pairs, and pictures by the new result's folder."""
    progress = progress or (lambda *_: None)
    changes: list[Change] = []
    pictures: dict[str, Picture] = {}
    with ThreadPoolExecutor(min(_MOST_THREADS, len(os.sched_getaffinity(0)))) as pool:
        found = pool.map(
            lambda one: compare_pair(one.weld, Path(one.old), Path(one.new), one.why), pairs
        )
        for done, (change, png, reach) in enumerate(found, start=1):
            changes.append(change)
            if png:
                pictures[change.new] = Picture(png, reach)
            progress("comparing results", done, len(pairs))
    return changes, pictures


def write_changes(
    folder: Path, root: str, changes: Sequence[Change], pictures: dict[str, Picture]
) -> None:
    """Write page, table, record and every picture into ``folder``.

    Raises:
        OSError: it can't be written.
    """
    ordered = sorted(changes, key=lambda one: one.order)
    shown = [one.new for one in ordered if one.new in pictures][:IN_DETAIL]
    uris = {new: (data_uri(pictures[new].png), pictures[new].reach) for new in shown}
    (folder / PAGE).write_text(render_changes(root, changes, uris), encoding="utf-8")
    (folder / TABLE).write_text(changes_csv(ordered), encoding="utf-8")
    record = json.dumps(changes_record(ordered), indent=1, sort_keys=True, allow_nan=False)
    (folder / RECORD).write_text(record + "\n", encoding="utf-8")
    if pictures:
        (folder / PICTURES).mkdir()
    for number, one in enumerate(ordered, start=1):
        if one.new in pictures:
            safe = "".join(c if c.isalnum() or c in "-." else "-" for c in one.weld)
            path = folder / PICTURES / f"{number:05d}_{safe}.png"
            path.write_bytes(pictures[one.new].png)
