"""The SHA-256 of a file, for the quality log's list of inputs."""

from __future__ import annotations

import hashlib
from pathlib import Path

from pipeline.errors import InputError


def sha256_file(path: Path) -> str:
    """The SHA-256 (hex, lower case) of a file's bytes, read in a stream.

    Raises:
        InputError: the file can't be read.
    """
    try:
        with path.open("rb") as stream:
            return hashlib.file_digest(stream, "sha256").hexdigest()
    except OSError as error:
        raise InputError(
            f"can't be read ({error.strerror or error})",
            where=str(path),
            remedy="Check that the file is still there and that you may read it",
        ) from error
