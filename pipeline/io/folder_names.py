"""What lies in a folder."""

from __future__ import annotations

import os
from pathlib import Path


def names_in(folder: str | Path) -> tuple[list[str], list[str]]:
    """The names of the folders in a folder, and of all else; hidden ones are left out, and a link
    counts as no folder.

    Raises:
        OSError: it can't be looked into.
    """
    folders: list[str] = []
    others: list[str] = []
    with os.scandir(folder) as entries:
        for entry in entries:
            if not entry.name.startswith("."):
                kind = folders if entry.is_dir(follow_symlinks=False) else others
                kind.append(entry.name)
    return folders, others
