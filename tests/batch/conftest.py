"""Three stitched welds and their library, made once."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from pathlib import Path

import pytest

from pipeline.batch.names import STATE_FOLDER
from tests.batch.planned import reprocess_all
from tests.batch.trees import FIRST, LATER, lower_strip, make_library, make_weld, stitch

MadeOnce = Callable[[str, Callable[[Path], object]], Path]

FROM_LIBRARY = 'from_library = "../../panels"'


@pytest.fixture(scope="session")
def stitched_tree(made_once: MadeOnce, small_scan: Path) -> Path:
    """``panels`` and ``welds/w0001`` to ``w0003``, the second of which was shot ten days later;
    nobody may change anything."""

    def make(root: Path) -> None:
        root.mkdir()
        make_library(root, small_scan)
        for number, day in ((1, FIRST), (2, LATER), (3, FIRST)):
            stitch(make_weld(root / "welds", small_scan, number, calibration=FROM_LIBRARY, day=day))

    return made_once("batch_tree", make)


@pytest.fixture(scope="session")
def reprocessed_tree(made_once: MadeOnce, stitched_tree: Path) -> Path:
    """``stitched_tree`` after a change to the first two welds' configs and a batch; nobody may
    change anything."""

    def make(root: Path) -> None:
        shutil.copytree(stitched_tree, root)
        for number in (1, 2):
            lower_strip(root, f"w{number:04d}")
        assert [one.kind for one in reprocess_all(root)] == ["done", "done"]
        shutil.rmtree(root / STATE_FOLDER)

    return made_once("batch_reprocessed_tree", make)


@pytest.fixture
def reprocessed(reprocessed_tree: Path, tmp_path: Path) -> Path:
    """A copy of ``reprocessed_tree``, to be spoilt at will."""
    return Path(shutil.copytree(reprocessed_tree, tmp_path / "tree"))


@pytest.fixture
def tree(stitched_tree: Path, tmp_path: Path) -> Path:
    """A copy of ``stitched_tree``, times included, to be spoilt at will."""
    return Path(shutil.copytree(stitched_tree, tmp_path / "tree"))
