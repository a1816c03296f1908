"""What is said about a file before its kind matters."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from pipeline.errors import FrameError
from pipeline.io.page import Run, merge_runs, require_file

from .frame_files import without_rights


def test_size_of_an_ordinary_file(tmp_path: Path) -> None:
    (tmp_path / "a.raw").write_bytes(b"12345")
    assert require_file(tmp_path / "a.raw", "a.raw") == 5


def test_file_that_may_not_be_read(tmp_path: Path) -> None:
    path = tmp_path / "a.raw"
    path.write_bytes(b"12345")
    with without_rights(path):
        assert str(require_file(path, "a.raw")) == (
            "a.raw: can't be opened (Permission denied); expected a file that you may read. "
            "Check the rights of the file and its folders"
        )


def test_pipe_is_not_waited_for(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "a.raw")
    assert "a.raw: is no ordinary file" in str(require_file(tmp_path / "a.raw", "a.raw"))


@pytest.mark.parametrize("name", ["none.raw", "a\0b", "x" * 300])
def test_names_of_nothing(tmp_path: Path, name: str) -> None:
    assert isinstance(require_file(tmp_path / name, "a.raw"), FrameError)


def test_runs_that_follow_each_other_become_one() -> None:
    runs = [Run(8, 10), Run(18, 2), Run(30, 5), Run(20, 1), Run(21, 4)]
    assert merge_runs(runs) == (Run(8, 12), Run(30, 5), Run(20, 5))
    assert merge_runs([]) == ()
