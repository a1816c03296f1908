"""The audit log of a weld: who did what with it, when, with which identities.

    PARENT/audit-log/WELD/log.json           counts the records, see ``chained_records``
    PARENT/audit-log/WELD/records/000001.json

``PARENT`` is the folder that the weld's result folders lie in, so the log lies beside them: a
result must come out the same, byte for byte, and a log has clocks.
"""

from __future__ import annotations

import getpass
import hashlib
import os
import platform
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pipeline
from pipeline.errors import InputError, OutputError
from pipeline.io.chained_records import Chain

AUDIT_FOLDER = "audit-log"
WHO = "GIRTHSTRIP_BY"
"""The environment variable that says who works here, where all share one account."""

_FIELDS = ("weld", "action", "when", "who", "host", "software", "identities", "details")
_TEXTS = ("weld", "action", "when", "who", "host", "software")

LOG = Chain(
    records="records",
    head="log.json",
    head_schema="girthstrip.audit_log/1",
    record_schema="girthstrip.audit_record/1",
    keys=frozenset(_FIELDS),
    what="audit record",
    holder="audit log",
    error=InputError,
    remedy="Ask who has changed it, and compare with a copy of the archive",
)
"""How an audit log is kept."""


@dataclass(frozen=True, slots=True)
class AuditRecord:
    """One thing done. ``when`` is ISO 8601 in UTC; ``who`` the account, or what ``WHO`` says.

    ``identities`` are SHA-256 by what they are of: ``raw``, ``config``, ``calibration``, ``strip``,
    ``log`` of a result, or files by name. ``details`` hold what else is worth knowing.
    """

    weld: str
    action: str
    when: str
    who: str
    host: str
    software: str
    identities: Mapping[str, str]
    details: Mapping[str, Any]


def log_folder(parent: Path, weld: str) -> Path:
    """Where the log of a weld lies; welds whose names differ have folders that do."""
    name = re.sub(r"[^A-Za-z0-9._-]+", "-", weld).strip("-.") or "weld"
    if name != weld:
        name += f"_{hashlib.sha256(weld.encode('utf-8', 'surrogateescape')).hexdigest()[:8]}"
    return parent / AUDIT_FOLDER / name


def add_audit_record(
    parent: Path,
    weld: str,
    action: str,
    identities: Mapping[str, str],
    details: Mapping[str, Any],
) -> AuditRecord:
    """Write down that something was done, now and by whoever is at work.

    Raises:
        OutputError: it can't be written.
        InputError: the log isn't as it was made; nothing is added to it then.
    """
    record = AuditRecord(
        weld=weld,
        action=action,
        when=datetime.now(UTC).isoformat(timespec="milliseconds"),
        who=_who(),
        host=platform.node(),
        software=f"girthstrip {pipeline.__version__}",
        identities=dict(identities),
        details=dict(details),
    )
    folder = log_folder(parent, weld)
    try:
        (folder / LOG.records).mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise OutputError(
            f"the audit log can't be begun ({error.strerror or error})",
            where=str(folder),
            remedy="Check the rights and the free space there",
        ) from error
    with LOG.locked(folder):
        if not (folder / LOG.head).exists() and not any((folder / LOG.records).iterdir()):
            try:
                LOG.begin(folder)
            except OSError as error:
                raise OutputError(
                    f"the audit log can't be begun ({error.strerror or error})", where=str(folder)
                ) from error
        LOG.append(folder, {name: getattr(record, name) for name in _FIELDS})
    return record


def read_audit_log(folder: Path) -> Sequence[AuditRecord]:
    """All records of a weld's log, oldest first.

    Raises:
        InputError: a record is missing, damaged, changed or foreign, the last ones included.
    """
    return LOG.read(folder, _parsed)


def _who() -> str:
    told = os.environ.get(WHO, "").strip()
    try:
        account = getpass.getuser()
    except (OSError, KeyError):  # an account without a name
        account = str(os.getuid())
    return f"{told} ({account})" if told else account


def _parsed(path: Path, content: Mapping[str, Any]) -> AuditRecord:
    identities, details = content["identities"], content["details"]
    sound = all(isinstance(content[name], str) for name in _TEXTS)
    sound = sound and isinstance(identities, dict) and isinstance(details, dict)
    if not (sound and all(isinstance(value, str) for value in identities.values())):
        LOG.refuse(path, "is no audit record (its values are of other kinds)", "what was written")
    return AuditRecord(**{name: content[name] for name in _FIELDS})
