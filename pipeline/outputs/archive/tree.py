"""The files below a folder, by their names from there; what is no plain file is told apart."""

from __future__ import annotations

import os
import stat
from collections.abc import Collection
from dataclasses import dataclass
from pathlib import Path


@dataclass(frozen=True, slots=True)
class Tree:
    """``files``: name from the folder on, with slashes → path. ``odd``: name → what it is
    instead: a link, a pipe, or a folder that can't be listed. ``denied``: those of them that the
    rights of this account keep closed."""

    files: dict[str, Path]
    odd: dict[str, str]
    denied: frozenset[str] = frozenset()


def files_below(folder: Path, *, passed_over: Collection[Path] = ()) -> Tree:
    """Every file below ``folder``, hidden ones too; links aren't followed.

    Folders in ``passed_over`` (resolved) are not looked into.
    """
    files: dict[str, Path] = {}
    odd: dict[str, str] = {}
    denied: set[str] = set()

    def failed(error: OSError) -> None:
        if isinstance(error, PermissionError):
            denied.add(_name(Path(error.filename), folder))
        odd[_name(Path(error.filename), folder)] = f"can't be listed ({error.strerror})"

    for parent, folders, names in os.walk(folder, onerror=failed):
        here = Path(parent)
        folders[:] = sorted(name for name in folders if (here / name).resolve() not in passed_over)
        for name in sorted(names) + [one for one in folders if (here / one).is_symlink()]:
            path = here / name
            try:
                mode = path.lstat().st_mode
            except OSError as error:
                odd[_name(path, folder)] = f"can't be looked at ({error.strerror})"
                if isinstance(error, PermissionError):
                    denied.add(_name(path, folder))
                continue
            if stat.S_ISREG(mode):
                files[_name(path, folder)] = path
            else:
                odd[_name(path, folder)] = (
                    "is a link" if stat.S_ISLNK(mode) else "is no ordinary file"
                )
    return Tree(files, odd, frozenset(denied))


def _name(path: Path, folder: Path) -> str:
    return path.relative_to(folder).as_posix()
