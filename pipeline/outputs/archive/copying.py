"""Files read once, digested on the way, and written to several places at the same time.

One thread reads, one digests, one writes for each place; blocks go round in a few buffers that are
used again and again. A place that fails is left behind, the others go on.
"""

from __future__ import annotations

import hashlib
import os
from collections.abc import Sequence
from concurrent.futures import Future, ThreadPoolExecutor, wait
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

from pipeline.errors import InputError
from pipeline.outputs.archive.journal import Origin
from pipeline.outputs.archive.read_back import Content, Count

BLOCK_BYTES = 2**22
_BUFFERS = 4


@dataclass(frozen=True, slots=True)
class Item:
    """A file of the bag: its name there, where it comes from, and its digest if that is known."""

    name: str
    source: Path
    digest: str = ""


class Place(Protocol):
    """Somewhere to write to; after a failure every call does nothing."""

    @property
    def failed(self) -> bool:
        """Whether it takes nothing more."""

    def has(self, name: str, origin: Origin) -> Content | None:
        """The file's content, if it lies there already."""

    def begin(self, name: str) -> None:
        """Open a file of this name."""

    def write(self, block: memoryview) -> None:
        """Add to the open file."""

    def end(self, name: str, content: Content, origin: Origin, mtime_ns: int) -> None:
        """Close it, with its source's time."""

    def flush(self) -> None:
        """Have everything on the medium."""


def copy_items(
    items: Sequence[Item], places: Sequence[Place], count: Count | None = None
) -> dict[str, Content]:
    """Write every item to every place that doesn't have it yet; returns what was written.

    Raises:
        InputError: a source can't be read, isn't what it should be, or changed meanwhile.
    """
    with ExitStack() as stack:
        copier = _Copier(
            stack.enter_context(ThreadPoolExecutor(1)),
            [(place, stack.enter_context(ThreadPoolExecutor(1))) for place in places],
            count or (lambda _: None),
        )
        copied = {}
        for item in items:
            copied[item.name] = copier.copy(item)
            if all(place.failed for place in places):
                break
        copier.flush()
    return copied


class _Buffer:
    def __init__(self) -> None:
        self.block = memoryview(bytearray(BLOCK_BYTES))
        self.in_use: list[Future[None]] = []


class _Copier:
    def __init__(
        self,
        digesting: ThreadPoolExecutor,
        places: list[tuple[Place, ThreadPoolExecutor]],
        count: Count,
    ) -> None:
        self._digesting, self._places, self._count = digesting, places, count
        self._buffers = [_Buffer() for _ in range(_BUFFERS)]
        self._next = 0

    def copy(self, item: Item) -> Content:
        try:
            return self._copy(item)
        except OSError as error:
            raise InputError(
                f"can't be read ({error.strerror or error})",
                where=str(item.source),
                remedy="Check the file, and the drive that holds it",
            ) from error

    def _copy(self, item: Item) -> Content:
        descriptor = os.open(item.source, os.O_RDONLY)
        try:
            before, mtime_ns = _origin(item, descriptor)
            already = self._already(item, before)
            if already is not None:
                self._count(already.size)
                return already
            digest, size = hashlib.sha256(), 0
            live = [(place, lane) for place, lane in self._places if not place.failed]
            for place, lane in live:
                lane.submit(place.begin, item.name)
            while read := self._read(descriptor):
                buffer, length = read
                block = buffer.block[:length]
                buffer.in_use = [self._digesting.submit(digest.update, block)]
                buffer.in_use += [lane.submit(place.write, block) for place, lane in live]
                size += length
                self._count(length)
            self._digesting.submit(lambda: None).result()
            content = Content(digest.hexdigest(), size)
            for place, lane in live:
                lane.submit(place.end, item.name, content, before, mtime_ns)
            if _origin(item, descriptor) != (before, mtime_ns) or size != before.size:
                raise InputError(
                    "changed while it was being copied",
                    where=str(item.source),
                    remedy="Wait until nothing writes to it any more, then archive again",
                )
        finally:
            os.close(descriptor)
        if item.digest and content.digest != item.digest:
            raise InputError(
                "isn't what it should be: its SHA-256 is another",
                where=str(item.source),
                expected=item.digest,
                remedy="girthstrip archive verify tells more about the bag that it is in",
            )
        return content

    def _already(self, item: Item, origin: Origin) -> Content | None:
        """The content, if every place that still works has the item, and has the same."""
        there = [place.has(item.name, origin) for place, _ in self._places if not place.failed]
        first = there[0] if there else None
        if first is None or any(one != first for one in there):
            return None
        return first if item.digest in ("", first.digest) else None

    def _read(self, descriptor: int) -> tuple[_Buffer, int] | None:
        buffer = self._buffers[self._next]
        wait(buffer.in_use)
        length = os.readv(descriptor, [buffer.block])
        if not length:
            return None
        self._next = (self._next + 1) % _BUFFERS
        return buffer, length

    def flush(self) -> None:
        for future in [lane.submit(place.flush) for place, lane in self._places]:
            future.result()


def _origin(item: Item, descriptor: int) -> tuple[Origin, int]:
    """What tells a source from others, and its time; a file of a bag is told by its digest."""
    status = os.fstat(descriptor)
    if item.digest:
        return Origin(f"sha256:{item.digest}", status.st_size, 0), status.st_mtime_ns
    origin = Origin(str(item.source.absolute()), status.st_size, status.st_mtime_ns)
    return origin, status.st_mtime_ns
