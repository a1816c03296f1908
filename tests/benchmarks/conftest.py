"""The benchmarks' scans, made once, and the table that is printed at the end."""

from __future__ import annotations

import json
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

FOLDER = Path(__file__).parent
TABLE = pytest.StashKey[list[tuple[str, str, str]]]()


def pytest_ignore_collect(collection_path: Path, config: pytest.Config) -> bool | None:
    """Leave the benchmarks out unless their folder is named: they take minutes."""
    asked = any("benchmarks" in str(argument) for argument in config.invocation_params.args)
    return None if asked else True


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption(
        "--seeds", type=int, default=2, help="how many scans a preset of test_accuracy.py gets"
    )


def pytest_configure(config: pytest.Config) -> None:
    config.stash[TABLE] = []


def pytest_terminal_summary(terminalreporter: Any, config: pytest.Config) -> None:
    rows = config.stash.get(TABLE, [])
    if not rows:
        return
    widths = [max(len(row[k]) for row in rows) for k in range(3)]
    terminalreporter.section("measured")
    for row in rows:
        cells = (cell.ljust(width) for cell, width in zip(row, widths, strict=True))
        terminalreporter.write_line("  ".join(cells).rstrip())


@dataclass(frozen=True)
class Report:
    """Adds rows to the table: what, the figure measured, the figure to reach."""

    rows: list[tuple[str, str, str]]

    def row(self, what: str, measured: str, reach: str = "") -> None:
        self.rows.append((what, measured, reach))


@pytest.fixture(scope="session")
def table(request: pytest.FixtureRequest) -> Report:
    rows = request.config.stash[TABLE]
    if not rows:
        rows.append(("what", "measured", "to reach"))
    return Report(rows)


@dataclass(frozen=True)
class Run:
    """A stitched scan: its folders, and what each run of one process took."""

    scan: Path
    result: Path
    seconds: tuple[float, ...]
    raw_pixels: int
    peak_bytes: int
    stages: dict[str, float]


def _stitched(root: Path, preset: str, times: int) -> Run:
    """Simulate and calibrate by the command line, then stitch ``times`` times in one process."""
    scan = root / preset
    for command in (
        ["simulate", preset, str(scan)],
        ["calibrate", str(scan / "calibrate.toml")],
    ):
        subprocess.run(
            [sys.executable, "-c", "from pipeline.cli import main; main()", *command, "--quiet"],
            check=True,
            capture_output=True,
        )
    once, often = (
        json.loads(
            subprocess.run(
                [sys.executable, str(FOLDER / "stitch_times.py"), str(scan / "stitch.toml"), n],
                check=True,
                capture_output=True,
                text=True,
            ).stdout
        )
        for n in ("1", str(times))
    )
    return Run(
        scan,
        scan / "result",
        tuple(often["seconds"]),
        often["raw_pixels"],
        once["peak_bytes"],  # of a process that made one strip, as a command does
        often["stages"],
    )


@pytest.fixture(scope="session")
def ring24(tmp_path_factory: pytest.TempPathFactory) -> Run:
    """The full ring of 60 frames: the first run is start-up, five more count."""
    return _stitched(tmp_path_factory.mktemp("bench"), "ring24", 6)


@pytest.fixture(scope="session")
def continuous24(tmp_path_factory: pytest.TempPathFactory) -> Run:
    """The same ring in 400 frames."""
    return _stitched(tmp_path_factory.mktemp("bench"), "continuous24", 3)
