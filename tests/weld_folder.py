"""A weld's folder as the tests of whole runs use it: made, spoilt, stitched, compared."""

from __future__ import annotations

import csv
import hashlib
import json
import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pipeline.calibrate import run_calibrate
from pipeline.cli import run
from pipeline.config.calibrate import load_calibrate_config
from pipeline.quality.log import QualityLog
from pipeline.simulation.presets import Preset, get_preset
from pipeline.simulation.write import write_scan

COMMAND = [sys.executable, "-c", "from pipeline.cli import main; main()"]
ShippedResult = Callable[[str], tuple[Path, Path, QualityLog]]
"""Scan, result and log of a preset, as the fixture ``shipped_result`` gives them."""
RESULT_FILES = {
    "strip.tif",
    "maps.tif",
    "positions.csv",
    "quality.json",
    "quality.html",
    "config.toml",
    "timing.json",
}


def simulate(preset: str | Preset, folder: Path) -> Path:
    """A simulated scan with its calibration in it."""
    write_scan(get_preset(preset) if isinstance(preset, str) else preset, folder)
    run_calibrate(load_calibrate_config(folder / "calibrate.toml"))
    return folder


def digests(folder: Path) -> dict[str, str]:
    """The SHA-256 of every file below a folder, by its name from there."""
    return {
        path.relative_to(folder).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


def leftovers(folder: Path) -> list[str]:
    """Hidden names in a folder: half-made results, or old ones put aside."""
    return [path.name for path in folder.iterdir() if path.name.startswith(".")]


@dataclass(frozen=True)
class Ended:
    """How a command ended: exit code, what it printed, and the text of the result's log."""

    code: int
    out: str
    err: str
    folder: Path
    log_text: str

    @property
    def log(self) -> QualityLog:
        """The quality log of the result."""
        return QualityLog.from_json(self.log_text)

    @property
    def left_out(self) -> dict[str, str]:
        """Why frames were left out, by file."""
        return {frame.file: frame.why_not for frame in self.log.frames if not frame.used}

    @property
    def verdicts(self) -> dict[str, str]:
        """The verdict of every check."""
        return {check.id: str(check.verdict) for check in self.log.checks}


@dataclass(frozen=True)
class WeldFolder:
    """A folder with ``frames``, ``calibration``, ``stitch.toml`` and ``job.csv``."""

    path: Path

    @property
    def frames(self) -> Path:
        """The folder of the frames."""
        return self.path / "frames"

    @property
    def table_path(self) -> Path:
        """The frame table."""
        return self.frames / "frames.csv"

    @property
    def config(self) -> Path:
        """The config of ``stitch``."""
        return self.path / "stitch.toml"

    @property
    def calibration(self) -> Path:
        """The calibration's folder."""
        return self.path / "calibration"

    @property
    def result(self) -> Path:
        """Where the result goes."""
        return self.path / "result"

    def frame(self, number: int) -> Path:
        """The file of a frame; 1 and 2 are ramp-up, 3 is the first that counts."""
        return self.frames / f"frame_{number:04d}.tif"

    def table(self) -> list[list[str]]:
        """The lines of the frame table; the header is line 0, frame k is line k."""
        with self.table_path.open(encoding="utf-8", newline="") as file:
            return list(csv.reader(file))

    def write_table(self, lines: list[list[str]]) -> None:
        """Replace the frame table."""
        with self.table_path.open("w", encoding="utf-8", newline="") as file:
            csv.writer(file, lineterminator="\n").writerows(lines)

    def set_cell(self, line: int, column: str, text: str) -> None:
        """Put a text into a cell of the frame table."""
        lines = self.table()
        lines[line][lines[0].index(column)] = text
        self.write_table(lines)

    def edit_config(self, old: str, new: str) -> None:
        """Replace a piece of the config that stands there once."""
        text = self.config.read_text(encoding="utf-8")
        assert text.count(old) == 1, old
        self.config.write_text(text.replace(old, new), encoding="utf-8")


def stitch(weld: WeldFolder, capsys: Any, *options: object) -> Ended:
    """``girthstrip stitch`` in this process: what becomes of the folder as it is."""
    code = run(["stitch", str(weld.config), "--quiet", *map(str, options)])
    out, err = capsys.readouterr()
    log = weld.result / "quality.json"
    text = log.read_text(encoding="ascii") if code in (0, 3) and log.exists() else ""
    return Ended(code, out, err, weld.result, text)


def read_json(path: Path) -> Any:
    """A JSON file that must hold finite numbers only."""

    def refuse(name: str) -> float:
        raise ValueError(f"{name} in {path}")

    return json.loads(path.read_text(encoding="utf-8"), parse_constant=refuse)
