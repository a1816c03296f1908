"""The commands' way to the audit log: one call when the work is done, and a line if it fails."""

# ruff: noqa: PLC0415 - imported where it is needed, so that --help doesn't wait for it

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import typer


def logged(folder: Path, action: str, **details: Any) -> None:
    """Have the audit log of the weld know that something was done with its result folder.

    What isn't such a folder has no weld's identity and isn't logged. A log that can't be written
    is told on stderr; what was done stays done.
    """
    from pipeline.outputs.audit.noting import note_result

    if (folder / "quality.json").is_file():
        _tell_lost(note_result(folder, action, details))


def logged_files(
    parent: Path, weld: str, action: str, identities: Mapping[str, str], **details: Any
) -> bool:
    """The same for files of a weld, given by SHA-256 and name; the log lies in ``parent``.

    Whether the log knows of it now.
    """
    from pipeline.outputs.audit.noting import note_files

    message = note_files(parent, weld, action, identities, details)
    _tell_lost(message)
    return not message


def _tell_lost(message: str) -> None:
    """Tell of a record that couldn't be written."""
    if message:
        typer.echo(f"girthstrip: {message}", err=True)
