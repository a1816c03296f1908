"""Records that only grow: one file each, numbered, chained to the one before it.

``RECORDS/000001.json`` and so on are never changed; each holds the SHA-256 of the one before it.
A head file beside them counts them and holds the SHA-256 of the last, so that no record can be
changed or taken out unnoticed, the last ones neither, unless the head and every later record are
forged to match. Who adds a record holds the last one against the head first: a forged one is never
built upon.
"""

from __future__ import annotations

import errno
import fcntl
import json
import os
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any, NoReturn, TypeVar

from pipeline.errors import InputError, OutputError
from pipeline.io.digest import sha256_file

Record = TypeVar("Record")

_READ_ONLY = 0o444


@dataclass(frozen=True, slots=True)
class Chain:
    """A kind of records: what its files are called and hold, and how its faults are told.

    ``keys`` are a record's beside ``schema`` and ``previous``; ``what`` names one record,
    ``holder`` what has them all.
    """

    records: str
    head: str
    head_schema: str
    record_schema: str
    keys: frozenset[str]
    what: str
    holder: str
    error: type[InputError]
    remedy: str

    def begin(self, folder: Path) -> None:
        """Write what makes a folder one of these without any record."""
        (folder / self.records).mkdir(exist_ok=True)
        _write_through(folder / self.head, self._head_text(0, None))

    def read(
        self, folder: Path, parse: Callable[[Path, Mapping[str, Any]], Record]
    ) -> Sequence[Record]:
        """All records, oldest first, each as ``parse`` makes it of its file and content.

        Raises:
            InputError: of the chain's own kind: one is missing, damaged, changed or foreign, the
                last ones included.
        """
        # Read before the records: one that is added meanwhile only makes those more.
        count, last = self._read_head(folder)
        found = []
        digests: list[str | None] = [None]
        for path in self._paths(folder):
            content = self._read_json(path)
            if not isinstance(content, dict) or set(content) != {*self.keys, "schema", "previous"}:
                self.refuse(path, f"is no {self.what}", ", ".join(sorted(self.keys)))
            if content["previous"] != digests[-1]:
                self._refuse_order(path)
            found.append(parse(path, content))
            digests.append(sha256_file(path))
        self._require_count(folder, len(found), count)
        self._require_last(folder, count, digests[count], last)
        return found

    def append(self, folder: Path, content: Mapping[str, Any]) -> None:
        """Write the next record, whole or not at all; only for who holds the lock.

        Raises:
            OutputError: it can't be written.
            InputError: of the chain's own kind: the last records aren't what the head knows, or
                the head is gone. Nothing is written then, so that what shows it stays.
        """
        paths = self._paths(folder)
        final = folder / self.records / f"{len(paths) + 1:06d}.json"
        previous = self._proved_last(folder, paths)
        whole = {**content, "schema": self.record_schema, "previous": previous}
        text = json.dumps(whole, indent=1, sort_keys=True) + "\n"
        partial = _partial(final)
        try:
            _write_through(partial, text)
            partial.chmod(_READ_ONLY)
            if final.exists():
                raise FileExistsError(
                    errno.EEXIST, f"another {self.what} was written at the same moment"
                )
            partial.rename(final)
        except OSError as error:
            raise OutputError(
                f"the {self.what} can't be written ({error.strerror or error})",
                where=str(final),
                remedy="Check the rights and the free space there",
            ) from error
        finally:
            with suppress(OSError):
                partial.unlink(missing_ok=True)
        head = folder / self.head
        partial = _partial(head)
        # The record stands; a head that is one behind is still true, and the next one mends it.
        with suppress(OSError):
            _write_through(partial, self._head_text(len(paths) + 1, sha256_file(final)))
            partial.rename(head)
        with suppress(OSError):
            partial.unlink(missing_ok=True)

    @contextmanager
    def locked(self, folder: Path) -> Iterator[None]:
        """One writer at a time; where the file system has no locks, the numbering still protects.

        What a killed writer left half-written is cleared away.

        Raises:
            OutputError: the folder can't be opened.
        """
        try:
            descriptor = os.open(folder / self.records, os.O_RDONLY | os.O_DIRECTORY)
        except OSError as error:
            raise OutputError(f"can't be opened ({error.strerror})", where=str(folder)) from error
        try:
            with suppress(OSError):
                fcntl.flock(descriptor, fcntl.LOCK_EX)
            for place in (folder, folder / self.records):
                for path in place.glob(".*.json.partial"):
                    with suppress(OSError):
                        path.unlink()
            yield
        finally:
            os.close(descriptor)

    def refuse(self, path: Path, what: str, expected: str) -> NoReturn:
        """Raise the chain's error about something that isn't as it was made."""
        raise self.error(what, where=str(path), expected=expected, remedy=self.remedy)

    def refuse_reading(self, path: Path, error: OSError) -> NoReturn:
        """Raise the chain's error about a file that the system doesn't give."""
        raise self.error(
            f"can't be read ({error.strerror or error})",
            where=str(path),
            remedy=f"Check the rights of the {self.holder}'s files and folders, and its disk",
        ) from error

    def _proved_last(self, folder: Path, paths: Sequence[Path]) -> str | None:
        """The SHA-256 of the last record, once the head's record is what the head knows and those
        after it (a head may be behind after a power cut) follow from it."""
        count, last = self._read_head(folder)
        self._require_count(folder, len(paths), count)
        digest = sha256_file(paths[count - 1]) if count else None
        self._require_last(folder, count, digest, last)
        for path in paths[count:]:
            content = self._read_json(path)
            if not isinstance(content, dict) or content.get("previous") != digest:
                self._refuse_order(path)
            digest = sha256_file(path)
        return digest

    def _require_count(self, folder: Path, found: int, count: int) -> None:
        if found < count:
            self.refuse(
                folder / self.records,
                f"holds {found} records",
                f"{count}, as {self.head} counts: the last ones are missing",
            )

    def _require_last(self, folder: Path, count: int, digest: str | None, last: str | None) -> None:
        if digest != last:
            self.refuse(
                folder / self.records / f"{count:06d}.json",
                "has been changed since it was made",
                f"the record whose SHA-256 {self.head} holds",
            )

    def _refuse_order(self, path: Path) -> NoReturn:
        self.refuse(path, "doesn't follow from the record before it", "records as they were made")

    def _head_text(self, count: int, last: str | None) -> str:
        head = {"schema": self.head_schema, "records": count, "last": last}
        return json.dumps(head, indent=1) + "\n"

    def _read_head(self, folder: Path) -> tuple[int, str | None]:
        """How many records there are at least, and the SHA-256 of the last of these."""
        path = folder / self.head
        content = self._read_json(path)
        schema = content.get("schema") if isinstance(content, dict) else None
        if schema != self.head_schema:
            self.refuse(path, f"has schema {schema!r}", repr(self.head_schema))
        if set(content) == {"schema"}:  # begun before records were counted; the next one does
            return 0, None
        count, last = content.get("records"), content.get("last")
        if type(count) is not int or count < 0 or not isinstance(last, str | None):
            self.refuse(
                path, "doesn't count the records", "schema, records and last as girthstrip wrote"
            )
        return count, last

    def _paths(self, folder: Path) -> list[Path]:
        place = folder / self.records
        if not place.is_dir():
            self.refuse(place, "is missing", f"the folder of the {self.holder}'s records")
        try:
            paths = sorted(path for path in place.iterdir() if not path.name.startswith("."))
        except OSError as error:
            self.refuse_reading(place, error)
        for number, path in enumerate(paths, start=1):
            if path.name != f"{number:06d}.json":
                self.refuse(
                    path, "is out of order", f"{number:06d}.json: a record is missing or foreign"
                )
        return paths

    def _read_json(self, path: Path) -> Any:
        try:
            return json.loads(path.read_text(encoding="utf-8"))
        except OSError as error:
            self.refuse_reading(path, error)
        except (ValueError, RecursionError) as error:
            self.refuse(path, f"can't be read ({error})", "a JSON text")


def _partial(final: Path) -> Path:
    return final.with_name(f".{final.name}.partial")


def _write_through(path: Path, text: str) -> None:
    with path.open("w", encoding="ascii") as file:
        file.write(text)
        file.flush()
        os.fsync(file.fileno())
