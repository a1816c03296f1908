"""Writing down in a weld's audit log what was done with it, without ever losing the work itself."""

from __future__ import annotations

import os
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from pipeline.errors import InputError, OutputError
from pipeline.io.audit_log import AUDIT_FOLDER, add_audit_record
from pipeline.io.folders import BAG_FILE, EXPORT_LIST
from pipeline.outputs.audit.identities import result_identities
from pipeline.quality.log import QualityLog

_LOG_AT_FAULT = (
    "Nothing is added to a log that isn't as it was made: put its files back from a copy, or "
    "move its folder to a safe place as it is, and a new log begins"
)
_RESULT_AT_FAULT = "The result isn't whole any more: copy it again, or stitch it anew"


def note_result(folder: Path, action: str, details: Mapping[str, Any] | None = None) -> str:
    """Write down what was done with a weld's result folder; what went wrong with that, or nothing.

    The log lies beside the folder.
    """
    try:
        path = folder / "quality.json"
        log = QualityLog.from_json(path.read_text(encoding="utf-8"), where=str(path))
        identities = result_identities(folder, log)
    except (InputError, OSError, UnicodeDecodeError) as error:
        return _lost(action, str(folder), error, _RESULT_AT_FAULT)
    place = folder.absolute()
    told = {"folder": place.name, **(details or {})}
    return note_files(place.parent, log.weld.id, action, identities, told)


def log_parent(file: Path) -> Path:
    """Where the audit log lies for a file: beside the bag that holds it, else beside the result
    folder that does (nothing is ever written into a bag, results in it included), else beside its
    folder, such as an export. Where nothing may be written beside a folder that is no
    export, the log lies in it."""
    for mark in (BAG_FILE, "quality.json"):
        for folder in file.parents:
            if (folder / mark).is_file():
                return folder.parent
    beside = file.parent.parent
    known = (beside / AUDIT_FOLDER).is_dir() or os.access(beside, os.W_OK)
    return beside if known or (file.parent / EXPORT_LIST).is_file() else file.parent


def note_files(
    parent: Path,
    weld: str,
    action: str,
    identities: Mapping[str, str],
    details: Mapping[str, Any] | None = None,
) -> str:
    """The same for files of a weld, with their SHA-256 by name; the log lies in ``parent``."""
    try:
        add_audit_record(parent, weld, action, identities, details or {})
    except (OutputError, OSError) as error:
        return _lost(action, weld, error, "The work itself is complete; mend this")
    except InputError as error:
        return _lost(action, weld, error, _LOG_AT_FAULT)
    return ""


def _lost(action: str, what: str, error: Exception, remedy: str) -> str:
    later = (
        "The next girthstrip send run writes it down"
        if action == "send"
        else "What is done again is written down then"
    )
    text = str(error).rstrip(".")
    return (
        f"done, but the audit log doesn't know of it ({action} of {what}): {text}. "
        f"{remedy}. {later}"
    )
