"""One export of a small ring, made once for all tests that only look at it."""

from __future__ import annotations

from pathlib import Path

import pytest

from .exported import export


@pytest.fixture(scope="session")
def exported(small_finished: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The folder with processing.dcm, presentation.dcm and marks.dcm."""
    out = tmp_path_factory.mktemp("export") / "out"
    export(small_finished / "result", out)
    return out
