"""Simulated scans, made and calibrated once for all tests of whole runs."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from pipeline.config.weld import load_weld_config
from pipeline.run import run_weld
from tests.weld_folder import WeldFolder, simulate

Factory = pytest.TempPathFactory


@pytest.fixture(scope="session")
def small_scan(tmp_path_factory: Factory) -> Path:
    """The preset ``small`` with its calibration; nobody may change what is in there."""
    return simulate("small", tmp_path_factory.mktemp("scans") / "small")


@pytest.fixture(scope="session")
def arc_scan(tmp_path_factory: Factory) -> Path:
    """The preset ``arc``, as ``small_scan``."""
    return simulate("arc", tmp_path_factory.mktemp("scans") / "arc")


@pytest.fixture(scope="session")
def two_wall_scan(tmp_path_factory: Factory) -> Path:
    """The preset ``two_wall``, as ``small_scan``."""
    return simulate("two_wall", tmp_path_factory.mktemp("scans") / "two_wall")


@pytest.fixture(scope="session")
def small_finished(small_scan: Path, tmp_path_factory: Factory) -> Path:
    """A copy of ``small_scan`` without exposures and truth, stitched into ``result`` in there;
    nobody may change anything."""
    folder = tmp_path_factory.mktemp("finished") / "small"
    for name in ("frames", "calibration"):
        shutil.copytree(small_scan / name, folder / name)
    shutil.copy(small_scan / "stitch.toml", folder)
    run_weld(load_weld_config(folder / "stitch.toml"))
    return folder


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
