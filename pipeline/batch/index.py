"""What was found out about configs and results, remembered: an SQLite file that may be thrown away.

Everything in it is found again from the folders themselves. A line counts only as long as size,
times and inode of every file behind it are what they were (``signature``); hashes of files are
kept in the same way. A damaged file, or one of another version, is begun anew.
"""

from __future__ import annotations

import hashlib
import os
import sqlite3
import struct
from collections.abc import Iterable, Sequence
from pathlib import Path
from types import TracebackType
from typing import Any

from pipeline.errors import OutputError
from pipeline.io.digest import sha256_file

INDEX_FILE = "index.sqlite"
_VERSION = 1
_SCHEMA = """
CREATE TABLE config (path TEXT PRIMARY KEY, signature BLOB, told TEXT, facts TEXT) WITHOUT ROWID;
CREATE TABLE result (path TEXT PRIMARY KEY, source TEXT, signature BLOB, files TEXT, facts TEXT)
    WITHOUT ROWID;
CREATE TABLE choice (wanted TEXT PRIMARY KEY, state TEXT, identity TEXT, fault TEXT) WITHOUT ROWID;
CREATE TABLE hash (path TEXT PRIMARY KEY, signature BLOB, sha256 TEXT) WITHOUT ROWID;
CREATE TABLE failure (result TEXT PRIMARY KEY, weld TEXT, reason TEXT, run TEXT) WITHOUT ROWID;
"""
_STAT = struct.Struct("<qqqq")


def signature(paths: Iterable[str]) -> bytes:
    """16 bytes of size, times and inode of all these files, the missing ones included."""
    digest = hashlib.blake2b(digest_size=16)
    for path in paths:
        try:
            told = os.stat(path)  # noqa: PTH116 - many thousands of them: a Path each takes longer
        except OSError:
            digest.update(b"-")
            continue
        digest.update(
            _STAT.pack(told.st_size, told.st_mtime_ns, told.st_ctime_ns, told.st_ino & (2**63 - 1))
        )
    return digest.digest()


class Index:
    """The index in a folder, open; a context manager. One process at a time writes to it."""

    def __init__(self, folder: Path) -> None:
        """Open the index, or begin one.

        Raises:
            OutputError: the folder can't be written.
        """
        self._path = folder / INDEX_FILE
        self._read: dict[str, dict[str, tuple[Any, ...]]] = {}
        try:
            folder.mkdir(parents=True, exist_ok=True)
            try:
                self._database = self._open()
            except sqlite3.DatabaseError:
                self._path.unlink(missing_ok=True)
                self._database = self._open()
        except (OSError, sqlite3.Error) as error:
            raise OutputError(
                f"the index can't be used ({getattr(error, 'strerror', None) or error})",
                where=str(self._path),
                remedy="Check the folder's rights and its disk, or name another one with --index",
            ) from error

    def _open(self) -> sqlite3.Connection:
        database = sqlite3.connect(self._path, timeout=30, check_same_thread=False)
        try:
            version = database.execute("PRAGMA user_version").fetchone()[0]
            if version not in (0, _VERSION):
                raise sqlite3.DatabaseError("another version")
            database.execute("PRAGMA journal_mode = WAL")
            database.execute("PRAGMA synchronous = NORMAL")
            if version == 0:
                database.executescript(_SCHEMA + f"PRAGMA user_version = {_VERSION};")
            database.execute("SELECT count(*) FROM failure").fetchone()
        except BaseException:
            database.close()
            raise
        return database

    def __enter__(self) -> Index:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        at: TracebackType | None,
    ) -> None:
        self._database.commit()
        self._database.close()

    def _rows(self, table: str) -> dict[str, tuple[Any, ...]]:
        """All rows of a table as they were at first, by their first column: much faster than to ask
        for each, and a plan looks at every one once."""
        if table not in self._read:
            rows = self._database.execute(f"SELECT * FROM {table}")
            self._read[table] = {row[0]: row[1:] for row in rows}
        return self._read[table]

    def save(self) -> None:
        """Have on the disk what was put in so far."""
        self._database.commit()

    def config(self, path: str, told: str) -> str | None:
        """The facts of a config file, as long as it is as it was."""
        row = self._rows("config").get(path)
        return row[2] if row and row[1] == told and row[0] == signature([path]) else None

    def put_config(self, path: str, told: str, facts: str) -> None:
        """Remember the facts of a config file."""
        self._put("config", (path, signature([path]), told, facts))

    def result(self, path: str, source: str) -> str | None:
        """The facts of a result made from ``source``, as long as all files behind them are as they
        were."""
        row = self._rows("result").get(path)
        if row is None or row[0] != source or row[1] != signature(row[2].split("\0")):
            return None
        return str(row[3])

    def put_result(self, path: str, source: str, files: Sequence[str], facts: str) -> None:
        """Remember the facts of a result and the files that they follow from."""
        self._put("result", (path, source, signature(files), "\0".join(files), facts))

    def choice(self, wanted: str, state: str) -> tuple[str, str] | None:
        """Which calibration was chosen, or why none could be, with the library in ``state``."""
        row = self._rows("choice").get(wanted)
        return (row[1], row[2]) if row and row[0] == state else None

    def put_choice(self, wanted: str, state: str, identity: str, fault: str) -> None:
        """Remember a choice."""
        self._put("choice", (wanted, state, identity, fault))

    def _put(self, table: str, row: tuple[Any, ...]) -> None:
        marks = ", ".join("?" * len(row))
        self._database.execute(f"INSERT OR REPLACE INTO {table} VALUES ({marks})", row)
        if table in self._read:
            self._read[table][row[0]] = row[1:]

    def sha256(self, path: str, *, anew: bool = False) -> str:
        """The SHA-256 of a file: remembered while the file is as it was, unless ``anew``.

        Raises:
            InputError: it can't be read.
        """
        now = signature([path])
        row = self._database.execute(
            "SELECT signature, sha256 FROM hash WHERE path = ?", (path,)
        ).fetchone()
        if row and row[0] == now and not anew:
            return str(row[1])
        found = sha256_file(Path(path))
        self._database.execute("INSERT OR REPLACE INTO hash VALUES (?, ?, ?)", (path, now, found))
        return found

    def failures(self) -> dict[str, str]:
        """Why welds couldn't be done when last tried: result folder → reason."""
        return dict(self._database.execute("SELECT result, reason FROM failure").fetchall())

    def put_failure(self, result: str, weld: str, reason: str, run: str) -> None:
        """Record on the disk that a weld couldn't be done, and why."""
        self._database.execute(
            "INSERT OR REPLACE INTO failure VALUES (?, ?, ?, ?)", (result, weld, reason, run)
        )
        self._database.commit()

    def drop_failure(self, result: str) -> None:
        """A weld that failed before is done now."""
        self._database.execute("DELETE FROM failure WHERE result = ?", (result,))
        self._database.commit()
