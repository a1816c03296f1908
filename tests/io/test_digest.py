"""SHA-256 of files against the standard's own example (FIPS 180-4, message "abc")."""

from __future__ import annotations

from pathlib import Path

import pytest

from pipeline.errors import InputError
from pipeline.io.digest import sha256_file


def test_digest_of_abc(tmp_path: Path) -> None:
    (tmp_path / "a").write_bytes(b"abc")
    assert sha256_file(tmp_path / "a") == (
        "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    )


def test_missing_file_and_folder(tmp_path: Path) -> None:
    for path in (tmp_path / "none", tmp_path):
        with pytest.raises(InputError, match="can't be read"):
            sha256_file(path)
