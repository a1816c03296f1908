"""Placing the same frames by this project and by general-purpose stitchers, as one table.

``python -m tests.benchmarks.peers SCAN [--frames N] [--only NAME …]``. SCAN is a folder that
``girthstrip simulate`` made and ``girthstrip calibrate`` was run on. The others get the frames
corrected and unrolled (with the true geometry, in their favour) and the encoder's positions in
whole pixels; this project gets the raw files. One process at a time; minutes.
"""

from __future__ import annotations

import argparse
import csv
import datetime
import json
import os
import platform
import shutil
import sys
import tempfile
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from tests.benchmarks.peers.ended import fault_of
from tests.benchmarks.peers.environments import CantInstallError, python_with
from tests.benchmarks.peers.scoring import Score, score
from tests.benchmarks.peers.tiles import Tiles, make_tiles

HERE = Path(__file__).parent
SEARCH_PX = 60  # as far as this project looks by default: 6 mm


@dataclass(frozen=True)
class Peer:
    """``package`` for pip (None: what this project's own environment has), its script and words
    beyond the common arguments."""

    name: str
    package: str | None
    script: str
    more: tuple[str, ...] = ()


PEERS = (
    Peer("scikit-image + least squares", None, "run_plain.py", ("scikit-image",)),
    Peer("OpenCV + least squares", None, "run_plain.py", ("opencv",)),
    Peer("ashlar 1.20.0", "ashlar==1.20.0", "run_ashlar.py"),
    Peer("itk-montage 0.8.5", "itk-montage==0.8.5", "run_itk.py"),
    Peer("multiview-stitcher 0.1.62", "multiview-stitcher==0.1.62", "run_multiview.py"),
)


@dataclass(frozen=True)
class Row:
    """A line of the table; without a score ``fault`` says why."""

    name: str
    seconds: str = ""
    peak_mb: str = ""
    score: Score | None = None
    fault: str = ""


def main() -> None:
    told = _arguments()
    with tempfile.TemporaryDirectory() as work:
        folder = Path(work)
        tiles = make_tiles(told.scan, folder, told.frames)
        prior = folder / "prior.npy"
        np.save(prior, np.rint(tiles.prior_px).astype(np.int64))
        rows = [Row("encoder alone", score=score(tiles.prior_px, tiles.true_px))]
        jobs: list[tuple[str, Callable[[], Row]]] = [
            ("girthstrip", lambda: _ours(told.scan, tiles, folder, told.limit))
        ]
        jobs += [
            (peer.name, lambda peer=peer: _peer(peer, tiles, prior, folder, told)) for peer in PEERS
        ]
        for name, job in jobs:
            if told.only and not any(part in name for part in told.only):
                continue
            print(f"{name} …", file=sys.stderr, flush=True)
            rows.append(job())
    print(table_text(rows, told.scan.name, len(tiles.files)))


def _arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks.peers")
    parser.add_argument("scan", type=Path)
    parser.add_argument("--frames", type=int, help="only the first so many frames")
    parser.add_argument("--only", nargs="+", help="only those whose name holds one of these words")
    parser.add_argument("--limit", type=float, default=1800.0, help="seconds that each may take")
    parser.add_argument(
        "--environments",
        type=Path,
        default=Path.home() / ".cache" / "girthstrip-peers",
        help="where the outside packages' environments are made and kept",
    )
    return parser.parse_args()


def _ours(scan: Path, tiles: Tiles, folder: Path, limit_s: float) -> Row:
    """This project from the raw files of the same frames, strip, log and report included."""
    frames, whole = folder / "frames", scan / "frames"
    frames.mkdir()
    with (whole / "frames.csv").open(encoding="utf-8", newline="") as table:
        reader = csv.DictReader(table)
        records = list(reader)
    chosen = [record for record in records if record["file"] in tiles.files]
    with (frames / "frames.csv").open("w", encoding="utf-8", newline="") as table:
        writer = csv.DictWriter(table, list(reader.fieldnames or ()))
        writer.writeheader()
        writer.writerows(chosen)
    for name in tiles.files:
        shutil.copyfile(whole / name, frames / name)
    every = json.loads((scan / "truth" / "truth.json").read_text(encoding="utf-8"))["frames"]
    ring = len(tiles.files) == sum(not frame["ramping"] for frame in every)
    out = folder / "ours.json"
    # As a module: it imports this project, which may not be installed for other folders.
    command = [sys.executable, "-m", f"{__package__}.run_ours", str(scan / "stitch.toml")]
    command += [str(frames), str(out), "ring" if ring else "arc"]
    fault = fault_of(command, folder / "ours.log", limit_s, HERE.parents[2])
    if fault:
        return Row("girthstrip", fault=f"fails: {fault}")
    result = json.loads(out.read_text(encoding="utf-8"))
    nowhere = [np.nan, np.nan]
    places = [result["places_mm"].get(name, nowhere) for name in tiles.files]
    return Row(
        "girthstrip",
        f"{result['seconds']:.1f} (whole: {result['whole_seconds']:.1f})",
        f"{result['peak_bytes'] / 1e6:.0f}",
        score(np.array(places, dtype=np.float64) / tiles.pitch_mm, tiles.true_px),
    )


def _peer(peer: Peer, tiles: Tiles, prior: Path, folder: Path, told: argparse.Namespace) -> Row:
    row = Row(peer.name)
    try:
        python = Path(sys.executable)
        if peer.package is not None:
            python = python_with(peer.package, told.environments)
    except CantInstallError as error:
        return replace(row, fault=f"can't be installed: {error}")
    out = folder / "peer.json"
    command = [str(python), str(HERE / peer.script), str(tiles.pictures), str(prior), str(out)]
    command += [str(SEARCH_PX), *peer.more]
    fault = fault_of(command, folder / "peer.log", told.limit, folder)
    if fault:
        return replace(row, fault=f"fails: {fault}")
    result = json.loads(out.read_text(encoding="utf-8"))
    seconds = f"{result['seconds']:.1f}"
    if "mosaic_seconds" in result:
        seconds += f" + {result['mosaic_seconds']:.1f} mosaic"
    places = np.array(result["positions"], dtype=np.float64)
    return replace(
        row,
        seconds=seconds,
        peak_mb=f"{result['peak_bytes'] / 1e6:.0f}",
        score=score(places, tiles.true_px),
    )


def table_text(rows: list[Row], scan: str, frames: int) -> str:
    """The table as Markdown, with the day and the machine."""
    day = datetime.datetime.now(tz=datetime.UTC).date().isoformat()
    lines = [
        f"{frames} frames of `{scan}`, {day}, {os.cpu_count()} cores, {platform.machine()}:",
        "",
        "| | seconds to place | peak MB | RMS s / z px | worst s px | placed |",
        "|---|---|---|---|---|---|",
    ]
    for row in rows:
        found: Any = row.score
        if found is None:
            lines.append(f"| {row.name} | {row.fault} | | | | |")
            continue
        lines.append(
            f"| {row.name} | {row.seconds} | {row.peak_mb} | {found.s_rms_px:.3f} / "
            f"{found.z_rms_px:.3f} | {found.s_worst_px:.3f} | {found.placed} of {found.frames} |"
        )
    return "\n".join(lines)


if __name__ == "__main__":
    main()
