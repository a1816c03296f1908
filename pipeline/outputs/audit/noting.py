"""Writing down in a weld's audit log what was done with it, without ever losing the work itself."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from pipeline.errors import InputError
from pipeline.io.audit_log import add_audit_record
from pipeline.outputs.audit.identities import result_identities
from pipeline.quality.log import QualityLog


def note_result(folder: Path, action: str, details: Mapping[str, Any] | None = None) -> str:
    """Write down what was done with a weld's result folder; what went wrong with that, or nothing.

    The log lies beside the folder.
    """
    try:
        path = folder / "quality.json"
        log = QualityLog.from_json(path.read_text(encoding="utf-8"), where=str(path))
        identities = result_identities(folder, log)
        place = folder.absolute()
        add_audit_record(
            place.parent, log.weld.id, action, identities, {"folder": place.name, **(details or {})}
        )
    except (InputError, OSError, UnicodeDecodeError) as error:
        return _lost(action, str(folder), error)
    return ""


def log_parent(file: Path) -> Path:
    """Where the audit log lies for a file: beside the result folder or the bag that holds it, else
    beside the file."""
    for folder in file.parents:
        if (folder / "quality.json").is_file() or (folder / "bagit.txt").is_file():
            return folder.parent
    return file.parent


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
    except (InputError, OSError) as error:
        return _lost(action, weld, error)
    return ""


def _lost(action: str, what: str, error: Exception) -> str:
    return f"done, but the audit log doesn't know of it ({action} of {what}): {error}"
