"""The bags that a path means: one, or all below a folder."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from pipeline.errors import InputError
from pipeline.outputs.archive.check import is_bag
from pipeline.outputs.archive.fixity import RECORD_ENDING


def bags_in(folder: Path) -> Iterator[Path]:
    """The folder itself if it is a bag, else all bags below it; hidden folders are passed over.

    One that is gone counts as long as its record stands there: its loss must be told.

    Raises:
        InputError: there is no such folder.
    """
    if is_bag(folder):
        yield folder
        return
    yield from sorted(set(_below(folder)))


def find_bags(path: Path) -> list[Path]:
    """The bags that a path means.

    Raises:
        InputError: there is none.
    """
    found = list(bags_in(path))
    if not found:
        raise InputError(
            "holds no bag",
            where=str(path),
            expected="a bag (a folder with bagit.txt), or a folder of bags",
            remedy="Name the folder that was given to --to, or one of the bags in it",
        )
    return found


def _below(folder: Path) -> Iterator[Path]:
    try:
        inside = [one for one in folder.iterdir() if not one.is_symlink()]
    except OSError as error:
        raise InputError(
            f"can't be opened ({error.strerror})",
            where=str(folder),
            expected="a folder",
            remedy="Correct the name; is the drive connected?",
        ) from error
    for one in inside:
        if one.name.startswith("."):
            continue
        if one.name.endswith(RECORD_ENDING):
            yield one.with_name(one.name.removesuffix(RECORD_ENDING))
        elif is_bag(one):
            yield one
        elif one.is_dir():
            yield from _below(one)
