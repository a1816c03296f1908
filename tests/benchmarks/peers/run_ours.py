"""Stitches the same frames from their raw files with this project:
``python run_ours.py STITCH.toml FRAMES_FOLDER OUT.json RING``.

Once to have everything imported and compiled, once that counts.
"""

from __future__ import annotations

import json
import sys
import time
from pathlib import Path

from pipeline.config.weld import load_weld_config
from pipeline.io.positions import read_positions
from pipeline.outputs.report.page import begin_page
from pipeline.run import run_weld
from tests.benchmarks.peers.peak import peak_bytes


def main() -> None:
    config, frames, out = (Path(argument) for argument in sys.argv[1:4])
    folder = out.with_name("ours")
    job = load_weld_config(
        config,
        {"frames.folder": frames, "output.folder": folder, "scan.ring": sys.argv[4] == "ring"},
    )
    for _ in range(2):
        begin = time.perf_counter()
        done = run_weld(job, report=begin_page, replace_folder=True)
        seconds = time.perf_counter() - begin
    placed = {
        row.file: [row.axial_mm, row.position_mm]
        for row in read_positions(folder / "positions.csv")
        if row.used
    }
    result = {
        "places_mm": placed,
        "seconds": done.seconds["registration"],
        "whole_seconds": seconds,
        "verdict": done.verdict,
    }
    result["peak_bytes"] = peak_bytes()
    out.write_text(json.dumps(result), encoding="utf-8")


if __name__ == "__main__":
    main()
