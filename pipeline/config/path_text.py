"""The name of a folder as text, whatever letters the system's locale knows."""

from __future__ import annotations

import os
from pathlib import Path


def path_text(path: Path) -> str:
    """The path as the text that its bytes are in UTF-8, for files that others read.

    Where the locale knows no umlauts Python holds them as stand-ins that no file can be written
    with. Bytes that aren't UTF-8 are written as ``\\\\xfc``.
    """
    return os.fsencode(path).decode("utf-8", "backslashreplace")


def path_of(text: str) -> Path:
    """The path that a text in a file of ours means; the inverse of ``path_text``."""
    return Path(os.fsdecode(text.encode("utf-8", "surrogateescape")))
