"""Programs of others that the DICOM tests call: dcmtk and dicom3tools; skips where they aren't."""

from __future__ import annotations

import shutil
import subprocess
from collections.abc import Sequence
from pathlib import Path

import pytest


def need(*names: str) -> None:
    """Skip unless all of these programs are installed (Debian: dcmtk, dicom3tools, orthanc)."""
    missing = [name for name in names if shutil.which(name) is None]
    if missing:
        pytest.skip(f"not installed: {', '.join(missing)} (.ci/run installs them)")


def call(*words: object, codes: Sequence[int] = (0,)) -> str:
    """What a program printed, on either channel; it must end with one of ``codes``."""
    ended = subprocess.run(
        [str(word) for word in words], capture_output=True, text=True, check=False, timeout=120
    )
    assert ended.returncode in codes, f"{words}: {ended.stdout}{ended.stderr}"
    return ended.stdout + ended.stderr


def dcmtk_pixels(path: Path, scratch: Path) -> bytes:
    """The pixels of an uncompressed file as dcmtk's dcmdump writes them, little-endian."""
    folder = scratch / "pixels"
    folder.mkdir(exist_ok=True)
    for old in folder.iterdir():
        old.unlink()
    call("dcmdump", "+W", folder, path)
    (raw,) = folder.iterdir()
    return raw.read_bytes()
