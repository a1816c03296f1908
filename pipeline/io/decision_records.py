"""The records of a library on disk: one file a decision, each chained to the one before it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from pipeline.calibration.decisions import Status, StatusRecord, moment
from pipeline.errors import CalibrationError
from pipeline.io.chained_records import Chain
from pipeline.io.folders import LIBRARY_FILE

_FIELDS = ("identity", "status", "when", "who", "reason", "successor")

DECISIONS = Chain(
    records="status",
    head=LIBRARY_FILE,
    head_schema="girthstrip.calibration_library/1",
    record_schema="girthstrip.status/1",
    keys=frozenset(_FIELDS),
    what="record of a decision",
    holder="library",
    error=CalibrationError,
    remedy="Restore the library from its copy; nothing in it may be changed or deleted",
)
"""How a library's decisions are kept."""


def read_records(folder: Path) -> Sequence[StatusRecord]:
    """All records of a library, oldest first.

    Raises:
        CalibrationError: one is missing, damaged, changed or foreign, the last ones included.
    """
    return DECISIONS.read(folder, _parsed)


def append_record(folder: Path, record: StatusRecord) -> None:
    """Write the next record, whole or not at all.

    Raises:
        OutputError: it can't be written.
    """
    content = {name: getattr(record, name) for name in _FIELDS}
    DECISIONS.append(folder, content | {"status": str(record.status)})


def _parsed(path: Path, content: Mapping[str, Any]) -> StatusRecord:
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
        DECISIONS.refuse(path, f"is no record of a decision ({error})", "what girthstrip wrote")
