"""The file that a name most likely means, where none has exactly this name."""

from __future__ import annotations

import unicodedata
from collections.abc import Collection
from difflib import get_close_matches
from pathlib import Path


def as_on_disk(folder: Path, name: str) -> str:
    """``name`` with its letters composed as the disk has them; unchanged where nothing fits.

    One and the same ü may be stored as one character or as u with two dots. Which it is depends on
    the system that wrote it, and nobody can see it.
    """
    try:
        if name.isascii() or (folder / name).exists():
            return name
        found = Path()
        for part in Path(name).parts:
            found /= _same_text(folder / found, part)
        return found.as_posix() if (folder / found).exists() else name
    except (OSError, ValueError):  # not a name that this system can have
        return name


def near_name(
    folder: Path, name: str, *, misspelt: bool = False, taken: Collection[str] = ()
) -> str:
    """A hint like ``" (is 'a.tif' meant?)"`` at what is in ``folder``, or nothing.

    Recognised are backslashes, other capitals and a missing ending; with ``misspelt`` also a name
    much like it, but none of those ``taken``.
    """
    slashed = Path(name.replace("\\", "/"))
    try:
        if "\\" in name and (folder / slashed).exists():
            return f" (write {slashed.as_posix()!r})"
        names = sorted(entry.name for entry in (folder / slashed).parent.iterdir())
    except (OSError, ValueError):
        return ""
    wanted = slashed.name.lower()
    meant = [entry for entry in names if wanted in (entry.lower(), Path(entry).stem.lower())]
    if not meant and misspelt:
        near = {k.lower(): k for k in names if (slashed.parent / k).as_posix() not in taken}
        meant = [near[close] for close in get_close_matches(wanted, near, n=1, cutoff=0.9)]
    return f" (is {(slashed.parent / meant[0]).as_posix()!r} meant?)" if meant else ""


def _same_text(folder: Path, part: str) -> str:
    """The entry of ``folder`` that is canonically equal to ``part``, else ``part`` itself."""
    wanted = unicodedata.normalize("NFC", part)
    names = sorted(entry.name for entry in folder.iterdir())
    return next((k for k in names if unicodedata.normalize("NFC", k) == wanted), part)
