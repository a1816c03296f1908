"""The queue on disk: which file goes to which peer, and how far it is.

One SQLite database, each change flushed to the disk itself before the next step is taken: so after
a power cut the queue is as it was at the last step. A file is told apart by peer and SOP instance
UID; it stands in the queue once. Files stay where they are, the queue knows their SHA-256.
"""

from __future__ import annotations

import sqlite3
import time
from collections.abc import Iterator, Sequence
from contextlib import ExitStack, contextmanager
from pathlib import Path
from types import TracebackType
from typing import Any

from pipeline.config.path_text import path_of, path_text
from pipeline.errors import OutputError, SendError
from pipeline.io.file_lock import locked
from pipeline.outputs.send.admission import Admission, admission
from pipeline.outputs.send.entry import OPEN, Commitment, Entry, Instance, State

_FILE, _LOCK = "queue.sqlite", "run.lock"
_VERSION = 1
_BUSY_S = 30.0
_COLUMNS = tuple(Entry.__dataclass_fields__)
_SCHEMA = """
CREATE TABLE IF NOT EXISTS entry (
    id INTEGER PRIMARY KEY, peer TEXT NOT NULL, path TEXT NOT NULL, sha256 TEXT NOT NULL,
    size_bytes INTEGER NOT NULL, weld TEXT NOT NULL, sop_instance TEXT NOT NULL,
    sop_class TEXT NOT NULL, transfer_syntax TEXT NOT NULL, study TEXT NOT NULL,
    series TEXT NOT NULL, state TEXT NOT NULL, attempts INTEGER NOT NULL DEFAULT 0,
    sent INTEGER NOT NULL DEFAULT 0, not_before REAL NOT NULL DEFAULT 0, queued_at REAL NOT NULL,
    changed_at REAL NOT NULL, told TEXT NOT NULL DEFAULT '', confirmed TEXT NOT NULL DEFAULT '',
    commitment TEXT NOT NULL DEFAULT '', noted INTEGER NOT NULL DEFAULT 0,
    UNIQUE (peer, sop_instance)
);
CREATE INDEX IF NOT EXISTS by_state ON entry (peer, state, not_before);
"""


class Queue:
    """The queue in a folder, open; a context manager."""

    def __init__(self, folder: Path) -> None:
        """Open the queue, or begin one where there is none.

        Raises:
            OutputError: the folder can't be written, or holds something else of that name.
        """
        self.folder = folder
        self._path = folder / _FILE
        with self._explained():
            folder.mkdir(parents=True, exist_ok=True)
            self._database = sqlite3.connect(self._path, timeout=_BUSY_S, isolation_level=None)
            self._database.row_factory = sqlite3.Row
            # EXTRA: the removal of the journal, which makes a change count, is flushed too.
            self._database.execute("PRAGMA synchronous = EXTRA")
            self._begin()

    def __enter__(self) -> Queue:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        at: TracebackType | None,
    ) -> None:
        self._database.close()

    def add(self, peer: str, instance: Instance) -> Admission:
        """Queue a file for a peer, unless it stands there already; what became of it.

        Raises:
            SendError: another content is known under the same SOP instance UID.
            OutputError: the queue can't be written.
        """
        known = self._one("peer = ? AND sop_instance = ?", peer, instance.sop_instance)
        found = admission(known, instance)
        if known is not None:
            if found is Admission.REPLACES:
                self.ask_again(known, instance)
            return found
        now = time.time()
        values = _identity(instance) | {
            "peer": peer,
            "state": State.WAITING,
            "queued_at": now,
            "changed_at": now,
        }
        names, marks = ", ".join(values), ", ".join("?" * len(values))
        self._change(f"INSERT INTO entry ({names}) VALUES ({marks})", *values.values())
        return found

    def update(self, entry: Entry, state: State, **values: Any) -> None:
        """Give an entry a new state and what goes with it; on the disk when this returns."""
        values |= {"state": state, "changed_at": time.time()}
        places = ", ".join(f"{name} = ?" for name in values)
        self._change(f"UPDATE entry SET {places} WHERE id = ?", *values.values(), entry.id)

    def entries(self, *, peer: str | None = None) -> Sequence[Entry]:
        """All entries in the order they were queued, of one peer if told."""
        return self._read("1" if peer is None else "peer = ?", *([] if peer is None else [peer]))

    def due(self, peer: str, now: float, most: int) -> Sequence[Entry]:
        """What may be worked on now, the doubtful first."""
        return self._read(
            "peer = ? AND state IN (?, ?) AND not_before <= ?",
            *(peer, *OPEN, now),
            order="state, id",
            most=most,
        )

    def next_due(self, peer: str) -> float | None:
        """When something of a peer's becomes due; None if nothing is open."""
        with self._explained():
            row = self._database.execute(
                "SELECT min(not_before) FROM entry WHERE peer = ? AND state IN (?, ?)",
                (peer, *OPEN),
            ).fetchone()
        return None if row[0] is None else float(row[0])

    def to_commit(self, peer: str, most: int) -> Sequence[Entry]:
        """Delivered entries for which the peer hasn't said whether it keeps them."""
        unknown = (Commitment.NOT_ASKED, Commitment.NO_ANSWER)
        return self._read(
            "peer = ? AND state = ? AND commitment IN (?, ?)",
            *(peer, State.DELIVERED, *unknown),
            most=most,
        )

    def not_noted(self) -> Sequence[Entry]:
        """Delivered entries that the audit log doesn't know of yet."""
        return self._read("state = ? AND noted = 0", State.DELIVERED)

    def mark_noted(self, entries: Sequence[Entry]) -> None:
        """The audit log knows of these now."""
        for entry in entries:
            self._change("UPDATE entry SET noted = 1 WHERE id = ?", entry.id)

    def find(self, wanted: str) -> Sequence[Entry]:
        """The entries of a weld, a SOP instance UID or a path."""
        path = path_text(Path(wanted).resolve())
        return self._read("weld = ? OR sop_instance = ? OR path = ?", wanted, wanted, path)

    def ask_again(self, entry: Entry, instance: Instance | None = None) -> None:
        """A person wants an entry sent (again): as if it were new, but for what was sent so far.

        ``instance`` is its file as it is now, under the same UID, where that has changed.
        """
        self.update(
            entry,
            State.WAITING,
            attempts=0,
            not_before=0.0,
            told="",
            confirmed="",
            commitment=Commitment.NOT_ASKED,
            noted=0,
            **({} if instance is None else _identity(instance)),
        )

    @contextmanager
    def running(self) -> Iterator[None]:
        """One run at a time; what an earlier one was sending when it was cut off is in doubt now.

        Raises:
            SendError: another process is sending from this queue.
        """
        taken = SendError(
            "is being sent from already, by another process",
            where=str(self.folder),
            remedy="Wait for it; what you add meanwhile is sent by it too",
        )
        with ExitStack() as held:
            with self._explained():
                held.enter_context(locked(self.folder / _LOCK, taken))
            for entry in self._read("state = ?", State.SENDING):
                self.update(entry, State.DOUBTFUL, told="cut off while it was being sent")
            yield

    def _begin(self) -> None:
        version = self._database.execute("PRAGMA user_version").fetchone()[0]
        if version == 0:
            self._database.executescript(
                f"BEGIN IMMEDIATE; {_SCHEMA} PRAGMA user_version = {_VERSION}; COMMIT;"
            )
        elif version != _VERSION:
            raise OutputError(
                f"is a queue of version {version}",
                where=str(self._path),
                expected=str(_VERSION),
                remedy="Finish it with the girthstrip that began it, or name another folder",
            )

    def _one(self, where: str, *values: object) -> Entry | None:
        found = self._read(where, *values)
        return found[0] if found else None

    def _read(
        self, where: str, *values: object, order: str = "id", most: int = -1
    ) -> Sequence[Entry]:
        query = f"SELECT {', '.join(_COLUMNS)} FROM entry WHERE {where} ORDER BY {order} LIMIT ?"
        with self._explained():
            rows = self._database.execute(query, (*values, most)).fetchall()
        return [_entry(row) for row in rows]

    def _change(self, statement: str, *values: object) -> None:
        with self._explained():
            self._database.execute(statement, values)

    @contextmanager
    def _explained(self) -> Iterator[None]:
        """What the disk or the database refuses, as a message for people."""
        try:
            yield
        except (sqlite3.Error, OSError) as error:
            code = getattr(error, "sqlite_errorname", "")
            if code == "SQLITE_FULL" or getattr(error, "errno", None) in (28, 122):
                what, remedy = "no room is left on its disk", "Free some space"
            elif code in ("SQLITE_NOTADB", "SQLITE_CORRUPT"):
                what, remedy = "is no sound queue", "Name another folder under [sender] queue"
            else:
                what = f"can't be used ({getattr(error, 'strerror', None) or error})"
                remedy = "Check the folder's rights and its disk"
            raise OutputError(
                f"{what}; what was queued before stays as it was",
                where=str(self._path),
                remedy=f"{remedy}, then call girthstrip send again",
            ) from error


def _identity(instance: Instance) -> dict[str, Any]:
    """What the queue knows of a file, by column."""
    values = {name: getattr(instance, name) for name in Instance.__dataclass_fields__}
    return values | {"path": path_text(instance.path)}


def _entry(row: sqlite3.Row) -> Entry:
    values: dict[str, Any] = {name: row[name] for name in _COLUMNS}
    values |= {
        "path": path_of(values["path"]),
        "state": State(values["state"]),
        "commitment": Commitment(values["commitment"]),
        "noted": bool(values["noted"]),
    }
    return Entry(**values)
