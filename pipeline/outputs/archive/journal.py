"""What a copy that isn't complete has already: so that one that was killed is taken up again."""

from __future__ import annotations

import json
import os
from dataclasses import asdict, dataclass
from pathlib import Path

from pipeline.outputs.archive.read_back import Content


@dataclass(frozen=True, slots=True)
class Origin:
    """Where a file came from: enough to see that it hasn't changed since."""

    path: str
    size: int
    mtime_ns: int


@dataclass(frozen=True, slots=True)
class _Entry:
    name: str
    digest: str
    size: int
    origin: Origin


class Journal:
    """The files that lie on the medium already, a line each, in a file that only grows."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._entries: dict[str, _Entry] = {}
        try:
            lines = path.read_text(encoding="utf-8", errors="replace").splitlines()
        except FileNotFoundError:
            lines = []
        for line in lines:
            try:
                told = json.loads(line)
                entry = _Entry(**told | {"origin": Origin(**told["origin"])})
            except (ValueError, TypeError, KeyError):
                continue  # torn when the power went
            self._entries[entry.name] = entry

    def content(self, name: str, origin: Origin) -> Content | None:
        """What was written under this name, if it came from there and that is as it was."""
        entry = self._entries.get(name)
        if entry is None or entry.origin != origin or not entry.digest:
            return None
        return Content(entry.digest, entry.size)

    def add(self, files: list[tuple[str, Content, Origin]]) -> None:
        """Note files that have been flushed.

        Raises:
            OSError: the journal can't be written.
        """
        self._write([_Entry(name, one.digest, one.size, origin) for name, one, origin in files])

    def void(self, names: list[str]) -> None:
        """Forget files that turned out to lie there wrong.

        Raises:
            OSError: the journal can't be written.
        """
        self._write([_Entry(name, "", 0, Origin("", 0, 0)) for name in names])

    def _write(self, entries: list[_Entry]) -> None:
        with self._path.open("a", encoding="utf-8") as stream:
            stream.writelines("\n" + json.dumps(asdict(entry)) + "\n" for entry in entries)
            stream.flush()
            os.fsync(stream.fileno())
        self._entries |= {entry.name: entry for entry in entries}
