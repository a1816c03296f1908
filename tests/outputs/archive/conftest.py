"""A folder to archive into that is flushed at once: hundreds of bags are written here."""

from __future__ import annotations

import os
import shutil
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest


@pytest.fixture
def memory(tmp_path: Path) -> Iterator[Path]:
    """An empty folder on a memory disk, or an ordinary one where there is none."""
    disk = Path("/dev/shm")
    if not (disk.is_dir() and os.access(disk, os.W_OK)):
        yield tmp_path
        return
    folder = Path(tempfile.mkdtemp(prefix="girthstrip-test-", dir=disk))
    yield folder
    shutil.rmtree(folder)
