"""What the tests of bad input begin with."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest


@pytest.fixture
def no_report(monkeypatch: pytest.MonkeyPatch) -> None:
    """Runs without quality.html, where drawing it would only cost time."""
    monkeypatch.setattr("pipeline.outputs.report.page.begin_page", lambda *_: lambda _: "")


@pytest.fixture
def few_exposures(small_scan: Path, tmp_path: Path) -> Path:
    """A folder with four exposures of each kind and their config."""
    scan = tmp_path / "exposures"
    for folder in ("dark", "flat_1", "flat_2"):
        (scan / folder).mkdir(parents=True)
        for path in sorted((small_scan / folder).iterdir())[:4]:
            shutil.copy(path, scan / folder)
    shutil.copy(small_scan / "calibrate.toml", scan)
    return scan
