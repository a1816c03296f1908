"""Simulated scans, made and calibrated once for all tests of whole runs, in whatever process."""

from __future__ import annotations

import fcntl
import os
import shutil
import sys
from collections.abc import Callable
from functools import partial
from pathlib import Path

import pytest

from pipeline.cli import run
from pipeline.config.weld import load_weld_config
from pipeline.quality.log import QualityLog
from pipeline.run import run_weld
from tests.weld_folder import ShippedResult, WeldFolder, simulate

Factory = pytest.TempPathFactory
MadeOnce = Callable[[str, Callable[[Path], object]], Path]


def pytest_configure() -> None:
    """Let an activated environment not hide dcmtk: pynetdicom brings programs of the same names."""
    own = Path(sys.executable).parent
    folders = os.environ.get("PATH", "").split(os.pathsep)
    os.environ["PATH"] = os.pathsep.join(one for one in folders if Path(one) != own)


def pytest_xdist_auto_num_workers(config: pytest.Config) -> int | None:
    """No worker processes where files are named: those are soon done, and their output is seen.

    The benchmarks, which must have the machine for themselves, are only run so.
    """
    return None if config.args_source is pytest.Config.ArgsSource.TESTPATHS else 0


@pytest.fixture(scope="session")
def made_once(request: pytest.FixtureRequest, tmp_path_factory: Factory) -> MadeOnce:
    """Has a folder made by the worker process that comes first; the others wait, and share it."""
    base = tmp_path_factory.getbasetemp()
    shared = (base.parent if hasattr(request.config, "workerinput") else base) / "shared"
    shared.mkdir(exist_ok=True)

    def folder(name: str, make: Callable[[Path], object]) -> Path:
        made = shared / name
        with (shared / f"{name}.lock").open("a+", encoding="ascii") as lock:
            fcntl.flock(lock, fcntl.LOCK_EX)
            lock.seek(0)
            if lock.read() != "made":
                make(made)
                lock.write("made")
        return made

    return folder


@pytest.fixture(scope="session")
def small_scan(made_once: MadeOnce) -> Path:
    """The preset ``small`` with its calibration; nobody may change what is in there."""
    return made_once("small", partial(simulate, "small"))


@pytest.fixture(scope="session")
def arc_scan(made_once: MadeOnce) -> Path:
    """The preset ``arc``, as ``small_scan``."""
    return made_once("arc", partial(simulate, "arc"))


@pytest.fixture(scope="session")
def two_wall_scan(made_once: MadeOnce) -> Path:
    """The preset ``two_wall``, as ``small_scan``."""
    return made_once("two_wall", partial(simulate, "two_wall"))


@pytest.fixture(scope="session")
def shipped_result(made_once: MadeOnce, request: pytest.FixtureRequest) -> ShippedResult:
    """Scan, result and log of a preset whose config is taken as the simulation writes it; nobody
    may change anything. No report is made."""

    def stitched(name: str) -> tuple[Path, Path, QualityLog]:
        scan: Path = request.getfixturevalue(f"{name}_scan")

        def stitch(folder: Path) -> None:
            run_weld(load_weld_config(scan / "stitch.toml", {"output.folder": folder}))

        result = made_once(f"{name}_result", stitch)
        text = (result / "quality.json").read_text(encoding="ascii")
        return scan, result, QualityLog.from_json(text)

    return stitched


@pytest.fixture(scope="session")
def small_finished(small_scan: Path, made_once: MadeOnce) -> Path:
    """A copy of ``small_scan`` without exposures and truth, stitched into ``result`` in there;
    nobody may change anything."""

    def finish(folder: Path) -> None:
        for name in ("frames", "calibration"):
            shutil.copytree(small_scan / name, folder / name)
        shutil.copy(small_scan / "stitch.toml", folder)
        run_weld(load_weld_config(folder / "stitch.toml"))

    return made_once("small_finished", finish)


@pytest.fixture(scope="session")
def demo_folder(made_once: MadeOnce) -> Path:
    """What ``girthstrip demo`` makes: scan, calibration, result; nobody may change anything."""

    def demonstrate(folder: Path) -> None:
        assert run(["demo", "--out", str(folder), "--quiet"]) == 0

    return made_once("demo", demonstrate)


@pytest.fixture
def small_weld(small_scan: Path, tmp_path: Path) -> WeldFolder:
    """A copy of ``small_scan`` without its exposures and truth, to be spoilt at will."""
    folder = tmp_path / "weld"
    folder.mkdir()
    for name in ("frames", "calibration"):
        shutil.copytree(small_scan / name, folder / name)
    for name in ("stitch.toml", "job.csv"):
        shutil.copy(small_scan / name, folder)
    return WeldFolder(folder)
