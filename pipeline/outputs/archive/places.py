"""The bags that a path means: one, or all below a folder."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

from pipeline.errors import InputError
from pipeline.outputs.archive.check import is_bag
from pipeline.outputs.archive.fixity import RECORD_ENDING, fixity_path


def is_aside(name: str) -> bool:
    """Whether a folder is called as what ``repair`` took out of a bag: it may hold manifests."""
    return re.search(r"\.aside-\d+$", name) is not None


def find_bags(path: Path, closed: list[InputError]) -> list[Path]:
    """The bags that a path means: the folder itself if it is a bag, else all below it.

    One that is gone counts as long as its record stands there: its loss must be told. Hidden
    folders are passed over, and what was moved aside. What can't be opened below the path is added
    to ``closed``.

    Raises:
        InputError: there is none, or the path itself can't be opened.
    """
    if is_bag(path):
        return [path]
    found = sorted(set(_below(path, closed, top=True)))
    if not found and not closed:
        raise InputError(
            "holds no bag",
            where=str(path),
            expected="a bag (a folder with bagit.txt), or a folder of bags",
            remedy="Name the folder that was given to --to, or one of the bags in it",
        )
    return found


def require_bag(path: Path, *, or_gone: bool = False) -> None:
    """Raise InputError unless a path is a bag; with ``or_gone``, or has the record of one."""
    if is_bag(path) or (or_gone and fixity_path(path).is_file()):
        return
    try:
        inside = find_bags(path, []) if path.is_dir() else []
    except InputError:
        inside = []
    if inside:
        more = f" and {len(inside) - 1} more" if len(inside) > 1 else ""
        what, remedy = f"is no bag, but holds {inside[0].name}{more}", f"Name {inside[0]}"
    elif path.is_dir():
        what, remedy = "is no bag", "Name a folder with bagit.txt in it, as archive made it"
    else:
        what, remedy = "isn't there", "Correct the name; is the drive connected?"
    raise InputError(what, where=str(path), expected="a bag", remedy=remedy)


def cant_open(folder: Path, error: OSError, expected: str) -> InputError:
    """What to say of a folder that can't be opened."""
    denied = isinstance(error, PermissionError)
    return InputError(
        f"can't be opened ({error.strerror})",
        where=str(folder),
        expected="" if denied else expected,
        remedy="Ask whoever keeps it for the right to read it"
        if denied
        else "Correct the name; is the drive connected?",
    )


def _below(folder: Path, closed: list[InputError], *, top: bool = False) -> Iterator[Path]:
    try:
        inside = [one for one in folder.iterdir() if not one.is_symlink()]
    except OSError as error:
        if top:
            raise cant_open(folder, error, "a folder of bags") from error
        closed.append(cant_open(folder, error, "a folder"))
        return
    for one in inside:
        if one.name.startswith(".") or is_aside(one.name.removesuffix(RECORD_ENDING)):
            continue
        if one.name.endswith(RECORD_ENDING):
            yield one.with_name(one.name.removesuffix(RECORD_ENDING))
        elif is_bag(one):
            yield one
        elif one.is_dir():
            yield from _below(one, closed)
