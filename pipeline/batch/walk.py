"""What lies below a root: configs and result folders, found by their names alone."""

from __future__ import annotations

import os
from collections.abc import Iterator
from dataclasses import dataclass, field

from pipeline.batch.names import base_of, is_kept
from pipeline.errors import InputError
from pipeline.io.audit_log import AUDIT_FOLDER
from pipeline.io.folder_names import names_in
from pipeline.io.folders import BAG_FILE, CALIBRATION_FILE, LIBRARY_FILE, LOG_FILE

_CLOSED = frozenset({BAG_FILE, CALIBRATION_FILE, LIBRARY_FILE})


@dataclass(slots=True)
class Found:
    """Absolute paths as text: TOML files that may be welds' configs, result folders, new ones that
    stand beside their result, and old ones that were kept."""

    configs: list[str] = field(default_factory=list)
    results: list[str] = field(default_factory=list)
    beside: list[str] = field(default_factory=list)
    kept: list[str] = field(default_factory=list)


def walk(root: str) -> Found:
    """Everything below ``root``, in the order of names. Bags, calibrations, libraries, hidden and
    linked folders are passed over.

    Raises:
        InputError: there is no such folder, or it can't be looked into.
    """
    found = Found()
    for folder, files in _folders(os.path.abspath(root)):  # noqa: PTH100  # links stay unresolved
        if LOG_FILE not in files:
            found.configs += [f"{folder}/{name}" for name in files if name.endswith(".toml")]
        elif base_of(folder) is not None:
            found.beside.append(folder)
        elif is_kept(folder):
            found.kept.append(folder)
        else:
            found.results.append(folder)
    return found


def _folders(root: str) -> Iterator[tuple[str, list[str]]]:
    """Every folder and the names of its files; nothing below a result or what is closed."""
    waiting = [root]
    while waiting:
        folder = waiting.pop()
        try:
            below, files = names_in(folder)
        except OSError as error:
            raise InputError(
                f"can't be looked into ({error.strerror or error})",
                where=folder,
                remedy="Name the folder that the welds lie in; check its rights",
            ) from error
        if not _CLOSED.isdisjoint(files):
            continue
        if LOG_FILE not in files:
            below.sort(reverse=True)
            waiting += [f"{folder}/{name}" for name in below if name != AUDIT_FOLDER]
        files.sort()
        yield folder, files
