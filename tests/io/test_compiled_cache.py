"""Compiled loops find a place, whatever may be written."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
from pathlib import Path

import pytest

from pipeline.errors import OutputError
from pipeline.io import compiled_cache
from pipeline.io.compiled_cache import COMPILED, VARIABLE, find_compiled_cache
from tests.weld_folder import COMMAND

PACKAGE = Path(compiled_cache.__file__).parents[1]


def test_all_folders_with_compiled_loops_are_listed() -> None:
    found = {
        path.parent.relative_to(PACKAGE).as_posix()
        for path in PACKAGE.rglob("*.py")
        if re.search(r"jit\([^)]*cache=True", path.read_text(encoding="utf-8"))
    }
    assert found == set(COMPILED)


@pytest.fixture
def nowhere(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Path:
    """Source and home can't be written, not even by root: files stand in the folders' places."""
    (tmp_path / "file").touch()
    (tmp_path / "temporary").mkdir()
    monkeypatch.setattr(compiled_cache, "_PACKAGE", tmp_path / "file")
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "file"))
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path / "temporary"))
    monkeypatch.setenv(VARIABLE, "")
    return tmp_path


def test_what_can_be_written_is_left_alone(nowhere: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv(VARIABLE, str(nowhere / "own"))
    find_compiled_cache()
    assert os.environ[VARIABLE] == str(nowhere / "own")
    monkeypatch.setenv(VARIABLE, "")
    monkeypatch.setenv("XDG_CACHE_HOME", str(nowhere / "home"))
    find_compiled_cache()
    assert os.environ[VARIABLE] == ""
    assert list((nowhere / "temporary").iterdir()) == []


def test_a_private_folder_where_nothing_else_can_be_written(nowhere: Path) -> None:
    find_compiled_cache()
    (folder,) = (nowhere / "temporary").iterdir()
    assert os.environ[VARIABLE] == str(folder)
    assert folder.stat().st_mode & 0o777 == 0o700


def test_nowhere_at_all_is_told(nowhere: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("tempfile.tempdir", str(nowhere / "file"))
    with pytest.raises(OutputError, match=f"in the environment variable {VARIABLE}"):
        find_compiled_cache()


def test_the_program_works_where_nothing_else_can_be_written(tmp_path: Path) -> None:
    """numba looks for a place for each loop when its module loads, and stops where it has none."""
    copy = tmp_path / "read-only"
    shutil.copytree(PACKAGE, copy / "pipeline", ignore=shutil.ignore_patterns("__pycache__"))
    for folder in COMPILED:
        (copy / "pipeline" / folder / "__pycache__").touch()  # stops root as well
    (tmp_path / "file").touch()
    (tmp_path / "temporary").mkdir()
    ended = subprocess.run(
        [*COMMAND, "check-sheet", "nothing.csv"],
        cwd=tmp_path,
        env={
            "PYTHONPATH": str(copy),
            "PYTHONDONTWRITEBYTECODE": "1",
            "XDG_CACHE_HOME": str(tmp_path / "file"),
            "TMPDIR": str(tmp_path / "temporary"),
            "PATH": os.environ["PATH"],
        },
        capture_output=True,
        text=True,
        check=False,
    )
    assert (ended.returncode, "nothing.csv: doesn't exist" in ended.stderr) == (2, True), ended
    assert list((tmp_path / "temporary").iterdir()) == []
