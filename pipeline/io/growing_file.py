"""A file of JSON lines that only grows: nothing in it is ever changed, each line follows the last.

Every record holds the SHA-256 of the sound line before it, so that a line that was changed or taken
out shows. A writer holds a lock on the file, looks first at what others have added, writes one
whole line and has it on the disk before it goes on. What a killed writer left of a line is never
taken for a record, and never removed.
"""

from __future__ import annotations

import errno
import fcntl
import hashlib
import json
import os
import stat
import threading
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from pathlib import Path
from typing import Any

from pipeline.errors import InputError, OutputError
from pipeline.io.folders import flush_entry, require_outside

_LARGEST = 64 * 2**20
_PREVIOUS = "previous"

Record = Mapping[str, Any]


class GrowingFile:
    """The records of one file, as far as they are sound; for several threads and processes.

    ``damaged`` are the numbers, from 1, of lines that are no records or don't follow from the
    sound line before them.
    """

    def __init__(self, path: Path, schema: str) -> None:
        self.path, self._schema = path, schema
        self._lock = threading.Lock()
        self._forget()

    def read(self) -> tuple[Sequence[Record], Sequence[int]]:
        """All records so far, and the numbers of damaged lines; none where there is no file.

        Raises:
            InputError: the file can't be read, is no plain file, or is too large.
        """
        with self._lock:
            try:
                descriptor = os.open(self.path, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK)
            except FileNotFoundError:
                self._forget()
                return (), ()
            except OSError as error:
                raise self._unreadable(error) from error
            try:
                self._catch_up(descriptor)
            finally:
                os.close(descriptor)
            return tuple(self._records), tuple(self._damaged)

    def append(self, make: Callable[[Sequence[Record]], Record]) -> Sequence[Record]:
        """Add the record that ``make`` makes of all those there are, and give all.

        Nothing is written if ``make`` raises; it sees what others wrote up to now, and nobody else
        writes meanwhile.

        Raises:
            OutputError: it can't be written; then the file holds what it held.
            InputError: see ``read``.
        """
        require_outside(self.path)
        with self._lock:
            flags = os.O_RDWR | os.O_CREAT | os.O_APPEND | os.O_NOFOLLOW | os.O_NONBLOCK
            try:
                descriptor = os.open(self.path, flags, 0o644)
            except OSError as error:
                raise self._unwritable(error) from error
            try:
                with suppress(OSError):  # some network stores have no locks
                    fcntl.flock(descriptor, fcntl.LOCK_EX)
                self._catch_up(descriptor)
                self._write(descriptor, make(tuple(self._records)))
                self._catch_up(descriptor)
            finally:
                os.close(descriptor)
            return tuple(self._records)

    def _forget(self) -> None:
        self._records: list[Record] = []
        self._damaged: list[int] = []
        self._lines, self._offset, self._inode = 0, 0, -1
        self._last: str | None = None

    def _catch_up(self, descriptor: int) -> None:
        """Read the whole lines that came since; what follows the last line's end isn't one yet."""
        told = os.fstat(descriptor)
        if not stat.S_ISREG(told.st_mode) or told.st_size > _LARGEST:
            raise InputError(
                f"is no plain file of at most {_LARGEST} bytes",
                where=str(self.path),
                expected="the records that girthstrip review wrote",
                remedy="Move it elsewhere and keep it",
            )
        if told.st_ino != self._inode or told.st_size < self._offset:  # put back from a copy
            self._forget()
            self._inode = told.st_ino
        try:
            data = os.pread(descriptor, told.st_size - self._offset, self._offset)
        except OSError as error:
            raise self._unreadable(error) from error
        for line in data[: data.rfind(b"\n") + 1].splitlines(keepends=True):
            self._offset += len(line)
            self._lines += 1
            self._take(line.rstrip(b"\n"))

    def _take(self, line: bytes) -> None:
        try:
            record = json.loads(line)
        except (ValueError, RecursionError):
            record = None
        sound = isinstance(record, dict) and record.get("schema") == self._schema
        if not sound or record.get(_PREVIOUS) != self._last:
            self._damaged.append(self._lines)
        if sound:  # one that doesn't follow is told of, and still nothing is lost
            self._records.append(record)
            self._last = hashlib.sha256(line).hexdigest()

    def _write(self, descriptor: int, record: Record) -> None:
        size = os.fstat(descriptor).st_size
        whole = {**record, "schema": self._schema, _PREVIOUS: self._last}
        line = json.dumps(whole, sort_keys=True, allow_nan=False).encode("ascii") + b"\n"
        if size > self._offset:  # a killed writer's piece of a line gets its end
            line = b"\n" + line
        try:
            if os.write(descriptor, line) != len(line):
                raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
            os.fsync(descriptor)
            if size == 0:
                flush_entry(self.path.parent)
        except OSError as error:
            with suppress(OSError):
                os.ftruncate(descriptor, size)
            raise self._unwritable(error) from error

    def _unreadable(self, error: OSError) -> InputError:
        return InputError(
            f"can't be read ({error.strerror or error})",
            where=str(self.path),
            expected="a plain file, no link",
            remedy="Check its rights",
        )

    def _unwritable(self, error: OSError) -> OutputError:
        return OutputError(
            f"can't be written ({error.strerror or error}); nothing was written down",
            where=str(self.path),
            remedy="Check the rights and the free space there",
        )
