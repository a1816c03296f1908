"""One process at a time."""

from __future__ import annotations

import fcntl
import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from pipeline.errors import InputError


@contextmanager
def locked(path: Path, taken: InputError) -> Iterator[None]:
    """The lock at ``path``, held until the block or the process ends.

    Raises:
        InputError: ``taken``, where another process holds it.
        OSError: the file can't be opened.
    """
    descriptor = os.open(path, os.O_RDWR | os.O_CREAT, 0o644)
    try:
        try:
            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            raise taken from None
        yield
    finally:
        os.close(descriptor)
