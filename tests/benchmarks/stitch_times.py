"""Stitch a weld several times in one process; print seconds, pixels and peak memory as JSON.

``python stitch_times.py CONFIG TIMES``. The first time includes start-up: imports, compiled
kernels loaded or made.
"""

from __future__ import annotations

import json
import sys
import time
from pathlib import Path

from pipeline.config.weld import load_weld_config
from pipeline.outputs.report.page import begin_page
from pipeline.run import run_weld


def main() -> None:
    job = load_weld_config(Path(sys.argv[1]))
    seconds = []
    for _ in range(int(sys.argv[2])):
        begin = time.perf_counter()
        done = run_weld(job, report=begin_page, replace_folder=True)
        seconds.append(time.perf_counter() - begin)
    timing = json.loads((done.folder / "timing.json").read_text(encoding="utf-8"))
    print(
        json.dumps(
            {
                "seconds": seconds,
                "raw_pixels": len(done.log.frames) * job.panel.rows * job.panel.columns,
                "peak_bytes": timing["peak_bytes"],
                "stages": dict(done.seconds),
            }
        )
    )


if __name__ == "__main__":
    main()
