"""What a strip's numbers follow from besides its frames: the config's values, and the software."""

from __future__ import annotations

import json
import os
from collections.abc import Mapping
from enum import Enum
from pathlib import Path

from pipeline.config.path_text import path_text
from pipeline.config.weld import WeldJob
from pipeline.record import software

NUMERIC = ("numeric", "numpy", "opencv", "numba")
"""The versions on which numbers depend, as a quality log names them."""

# Where results go bears on nothing; which calibration it is its own identity tells.
_NO_VALUES = ("output.", "calibration.folder", "calibration.from_library")


def software_now() -> Mapping[str, str]:
    """The numeric versions of the program that runs and of its libraries."""
    now = software()
    return {name: now[name] for name in NUMERIC}


def software_difference(made_by: Mapping[str, str], now: Mapping[str, str]) -> str:
    """In words which numeric versions differ; "" where none does."""
    return ", ".join(
        f"{name} {made_by.get(name, 'not told')} → {now[name]}"
        for name in NUMERIC
        if made_by.get(name) != now[name]
    )


def job_values(job: WeldJob) -> Mapping[str, str]:
    """The config's values that a strip follows from, by dotted key, as JSON text.

    Folders are absolute, so that the same ones are the same from wherever they are named.
    """
    found: dict[str, str] = {}
    _flatten("", job.model_dump(mode="python"), found)
    return {key: text for key, text in found.items() if not key.startswith(_NO_VALUES)}


def differing(old: Mapping[str, str], new: Mapping[str, str]) -> Mapping[str, tuple[str, str]]:
    """Dotted key → old and new text, where they differ; a key that one lacks is ``null``."""
    keys = sorted(old.keys() | new.keys())
    pairs = {key: (old.get(key, "null"), new.get(key, "null")) for key in keys}
    return {key: pair for key, pair in pairs.items() if pair[0] != pair[1]}


def _flatten(prefix: str, value: object, found: dict[str, str]) -> None:
    if isinstance(value, Mapping):
        for key, item in value.items():
            _flatten(f"{prefix}.{key}" if prefix else str(key), item, found)
    else:
        found[prefix] = json.dumps(value, default=_plain, sort_keys=True)


def _plain(value: object) -> object:
    if isinstance(value, Path):
        return path_text(Path(os.path.abspath(value)))  # noqa: PTH100  # links stay unresolved
    if isinstance(value, Enum):
        return value.value
    raise TypeError(f"{type(value).__name__} in a config")
