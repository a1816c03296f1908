"""A whole small job with no input: simulate a scan, calibrate, stitch."""

from __future__ import annotations

import shutil
from itertools import count
from pathlib import Path

from pipeline.calibrate import run_calibrate
from pipeline.config.calibrate import load_calibrate_config
from pipeline.config.weld import load_weld_config
from pipeline.errors import OutputError
from pipeline.outputs.report.page import begin_page
from pipeline.run import Progress, RunResult, run_weld
from pipeline.simulation.presets import get_preset
from pipeline.simulation.write import write_scan

FOLDER = "girthstrip-demo"


def free_folder() -> Path:
    """The first of ``girthstrip-demo``, ``girthstrip-demo-2``, … that doesn't exist here yet."""
    names = (FOLDER if number == 1 else f"{FOLDER}-{number}" for number in count(1))
    return next(path for path in map(Path, names) if not path.exists())


def run_demo(out: Path, progress: Progress | None = None) -> RunResult:
    """Make the folder ``out`` with ``scan``, ``calibration`` and ``result`` in it.

    On any exception, an interrupt included, the folder is taken away again.

    Raises:
        OutputError: ``out`` exists already, or can't be written.
    """
    try:
        out.mkdir(parents=True)
    except FileExistsError:
        raise OutputError(
            "already exists", where=str(out), remedy="Name a folder that doesn't exist yet"
        ) from None
    except OSError as error:
        raise OutputError(f"can't be made ({error.strerror})", where=str(out)) from error
    try:
        return _fill(out, progress)
    except BaseException:
        shutil.rmtree(out, ignore_errors=True)  # it is ours: it didn't exist before
        raise


def _fill(out: Path, progress: Progress | None) -> RunResult:
    scan, calibration = out / "scan", out / "calibration"
    write_scan(get_preset("small"), scan, progress=progress)
    exposures = load_calibrate_config(scan / "calibrate.toml", {"output.folder": calibration})
    run_calibrate(exposures, progress=progress)
    folders = {"calibration.folder": calibration, "output.folder": out / "result"}
    job = load_weld_config(scan / "stitch.toml", folders)
    return run_weld(job, report=begin_page, progress=progress)
