"""What the folders beside a weld's result are called: made anew, and kept from before."""

from __future__ import annotations

import re
from pathlib import Path

STATE_FOLDER = ".girthstrip-batch"
"""Below the root: index, lock, and what ``accept`` is about to do. Not a weld's."""
_REPROCESSED = ".reprocessed"
_KEPT = re.compile(r"\.before-[0-9a-f]{12}(-\d+)?$")
_DIGITS = 12


def beside(result: Path) -> Path:
    """Where the new result of a weld stands until it is accepted: ``result.reprocessed``."""
    return Path(beside_text(str(result)))


def beside_text(result: str) -> str:
    """The same of a path as text."""
    return result + _REPROCESSED


def base_of(name: str) -> str | None:
    """The name (or path) of the result whose new one this is; None if it is none."""
    return name.removesuffix(_REPROCESSED) if name.endswith(_REPROCESSED) else None


def is_kept(name: str) -> bool:
    """Whether a folder of this name is a result that a new one took the place of."""
    return _KEPT.search(name) is not None


def kept_base(name: str) -> str:
    """The result's name (or path) that a kept one once had."""
    return _KEPT.sub("", name)


def kept_beside(result: Path, log_sha256: str) -> Path:
    """A free name for the old result, by its quality log: ``result.before-6eb2478b8838``."""
    first = f"{result.name}.before-{log_sha256[:_DIGITS]}"
    path, number = result.with_name(first), 1
    while path.exists():
        number += 1
        path = result.with_name(f"{first}-{number}")
    return path
