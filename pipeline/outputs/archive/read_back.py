"""Digests of files as they lie on the medium, several files at once."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Callable, Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from threading import Lock, local

BLOCK_BYTES = 2**21
_THREADS = 2  # a copy; more only makes a spinning disk seek

Count = Callable[[int], None]
"""Called with bytes as they are read, from any thread."""


@dataclass(frozen=True, slots=True)
class Content:
    """Digest (hexadecimal, lower case) and size of a file."""

    digest: str
    size: int


def contents_of(
    files: Mapping[str, Path], algorithm: str, count: Count | None = None
) -> dict[str, Content | OSError]:
    """Each file's content, or why it can't be read.

    The system is asked to forget what it holds of a file in memory before it is read, so that what
    is told is what lies on the medium; where it can't forget (a memory disk, pages not yet written)
    it reads what it has.
    """
    buffers, told = local(), Lock()

    def read(path: Path) -> Content | OSError:
        if not hasattr(buffers, "block"):
            buffers.block = memoryview(bytearray(BLOCK_BYTES))
        try:
            return _content(path, algorithm, buffers.block, counted)
        except OSError as error:
            return error

    def counted(size: int) -> None:
        if count is not None:
            with told:
                count(size)

    with ThreadPoolExecutor(_THREADS) as pool:
        return dict(zip(files, pool.map(read, files.values()), strict=True))


def _content(path: Path, algorithm: str, block: memoryview, count: Count) -> Content:
    digest, size = hashlib.new(algorithm), 0
    descriptor = os.open(path, os.O_RDONLY | os.O_NOFOLLOW)
    try:
        forget(descriptor)
        os.posix_fadvise(descriptor, 0, 0, os.POSIX_FADV_SEQUENTIAL)
        while read := os.readv(descriptor, [block]):
            digest.update(block[:read])
            size += read
            count(read)
    finally:
        os.close(descriptor)
    return Content(digest.hexdigest(), size)


def forget(descriptor: int) -> None:
    """Ask the system to drop what it holds in memory of a file that has been flushed."""
    os.posix_fadvise(descriptor, 0, 0, os.POSIX_FADV_DONTNEED)
