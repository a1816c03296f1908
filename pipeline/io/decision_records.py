"""The records of a library on disk: one file a decision, each chained to the one before it.

``status/000001.json`` and so on are never changed; each holds the SHA-256 of the one before it.
``library.json`` counts them and holds the SHA-256 of the last, so that no record can be changed or
taken out unnoticed, the last ones neither, unless ``library.json`` is forged to match.
"""

from __future__ import annotations

import errno
import json
import os
from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path
from typing import Any, NoReturn

from pipeline.calibration.decisions import Status, StatusRecord, moment
from pipeline.errors import CalibrationError, OutputError
from pipeline.io.digest import sha256_file
from pipeline.io.folders import LIBRARY_FILE

STATUS_FOLDER = "status"
_SCHEMA = "girthstrip.calibration_library/1"
_RECORD_SCHEMA = "girthstrip.status/1"
_RECORD_KEYS = {
    *("schema", "identity", "status", "when", "who", "reason", "successor", "previous"),
}
_READ_ONLY = 0o444


def begin_records(folder: Path) -> None:
    """Write what makes an empty folder a library without any record."""
    (folder / STATUS_FOLDER).mkdir()
    (folder / LIBRARY_FILE).write_text(_head_text(0, None), encoding="ascii")


def read_records(folder: Path) -> Sequence[StatusRecord]:
    """All records of a library, oldest first.

    Raises:
        CalibrationError: one is missing, damaged, changed or foreign, the last ones included.
    """
    # Read before the records: a decision that is recorded meanwhile only makes those more.
    count, last = _read_head(folder)
    records = []
    digests: list[str | None] = [None]
    for path in _record_paths(folder):
        content = _read_json(path)
        if not isinstance(content, dict) or set(content) != _RECORD_KEYS:
            refuse(path, "is no record of a decision", ", ".join(sorted(_RECORD_KEYS)))
        if content["previous"] != digests[-1]:
            refuse(path, "doesn't follow from the record before it", "records as they were made")
        records.append(_parsed(path, content))
        digests.append(sha256_file(path))
    status = folder / STATUS_FOLDER
    if len(records) < count:
        refuse(
            status,
            f"holds {len(records)} records",
            f"{count}, as {LIBRARY_FILE} counts: the last ones are missing",
        )
    if digests[count] != last:
        refuse(
            status / f"{count:06d}.json",
            "has been changed since it was made",
            f"the record whose SHA-256 {LIBRARY_FILE} holds",
        )
    return records


def append_record(folder: Path, record: StatusRecord) -> None:
    """Write the next record, whole or not at all.

    Raises:
        OutputError: it can't be written.
    """
    paths = _record_paths(folder)
    final = folder / STATUS_FOLDER / f"{len(paths) + 1:06d}.json"
    content = {
        "schema": _RECORD_SCHEMA,
        "identity": record.identity,
        "status": str(record.status),
        "when": record.when,
        "who": record.who,
        "reason": record.reason,
        "successor": record.successor,
        "previous": sha256_file(paths[-1]) if paths else None,
    }
    text = json.dumps(content, indent=1, sort_keys=True) + "\n"
    partial = _partial(final)
    try:
        _write_through(partial, text)
        partial.chmod(_READ_ONLY)
        if final.exists():
            raise FileExistsError(errno.EEXIST, "another decision was recorded at the same moment")
        partial.rename(final)
    except OSError as error:
        raise OutputError(
            f"the decision can't be recorded ({error.strerror or error})",
            where=str(final),
            remedy="Check the rights and the free space of the library, and try again",
        ) from error
    finally:
        partial.unlink(missing_ok=True)
    head = folder / LIBRARY_FILE
    partial = _partial(head)
    # The decision stands; a head that is one behind is still true, and the next one mends it.
    with suppress(OSError):
        _write_through(partial, _head_text(len(paths) + 1, sha256_file(final)))
        partial.rename(head)
    with suppress(OSError):
        partial.unlink(missing_ok=True)


def clear_stale_records(folder: Path) -> None:
    """Remove what a killed writer left half-written; only for who holds the library's lock."""
    for place in (folder, folder / STATUS_FOLDER):
        for path in place.glob(".*.json.partial"):
            with suppress(OSError):
                path.unlink()


def refuse(path: Path, what: str, expected: str) -> NoReturn:
    """Raise CalibrationError about something in a library that isn't as it was made."""
    raise CalibrationError(
        what,
        where=str(path),
        expected=expected,
        remedy="Restore the library from its copy; nothing in it may be changed or deleted",
    )


def refuse_reading(path: Path, error: OSError) -> NoReturn:
    """Raise CalibrationError about a file of a library that the system doesn't give."""
    raise CalibrationError(
        f"can't be read ({error.strerror or error})",
        where=str(path),
        remedy="Check the rights of the library's files and folders, and its disk",
    ) from error


def _partial(final: Path) -> Path:
    return final.with_name(f".{final.name}.partial")


def _write_through(path: Path, text: str) -> None:
    with path.open("w", encoding="ascii") as file:
        file.write(text)
        file.flush()
        os.fsync(file.fileno())


def _head_text(count: int, last: str | None) -> str:
    return json.dumps({"schema": _SCHEMA, "records": count, "last": last}, indent=1) + "\n"


def _read_head(folder: Path) -> tuple[int, str | None]:
    """How many records there are at least, and the SHA-256 of the last of these."""
    path = folder / LIBRARY_FILE
    content = _read_json(path)
    schema = content.get("schema") if isinstance(content, dict) else None
    if schema != _SCHEMA:
        refuse(path, f"has schema {schema!r}", repr(_SCHEMA))
    if set(content) == {"schema"}:  # begun before records were counted; the next decision does
        return 0, None
    count, last = content.get("records"), content.get("last")
    if type(count) is not int or count < 0 or not isinstance(last, str | None):
        refuse(path, "doesn't count the records", "schema, records and last as girthstrip wrote")
    return count, last


def _record_paths(folder: Path) -> list[Path]:
    status = folder / STATUS_FOLDER
    if not status.is_dir():
        refuse(status, "is missing", "the folder of the library's records")
    try:
        paths = sorted(path for path in status.iterdir() if not path.name.startswith("."))
    except OSError as error:
        refuse_reading(status, error)
    for number, path in enumerate(paths, start=1):
        if path.name != f"{number:06d}.json":
            refuse(path, "is out of order", f"{number:06d}.json: a record is missing or foreign")
    return paths


def _read_json(path: Path) -> Any:
    try:
        return json.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        refuse_reading(path, error)
    except (ValueError, RecursionError) as error:
        refuse(path, f"can't be read ({error})", "a JSON text")


def _parsed(path: Path, content: dict[str, Any]) -> StatusRecord:
    texts = ("identity", "status", "when", "who", "reason")
    successor = content["successor"]
    try:
        if not all(isinstance(content[name], str) for name in texts):
            raise ValueError("not all its values are texts")
        if not (successor is None or isinstance(successor, str)):
            raise ValueError("successor is no text")
        moment(content["when"])
        return StatusRecord(
            identity=content["identity"],
            status=Status(content["status"]),
            when=content["when"],
            who=content["who"],
            reason=content["reason"],
            successor=successor,
        )
    except ValueError as error:
        refuse(path, f"is no record of a decision ({error})", "what girthstrip wrote")
