"""The identities that belong to a result folder: of raw frames, config, calibration and strip."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from pathlib import Path

from pipeline.io.digest import sha256_file
from pipeline.quality.log import QualityLog

RESULT_IDENTITIES = {
    "config": "config.toml",
    "strip": "strip.tif",
    "log": "quality.json",
    "maps": "maps.tif",
    "positions": "positions.csv",
    "page": "quality.html",
}
"""What the audit log calls the files of a result → their names."""

_MAY_LACK = frozenset({"page"})  # a run without a report makes none


def result_identities(folder: Path, log: QualityLog) -> Mapping[str, str]:
    """SHA-256 of what the result was made from and of what it is.

    Raises:
        InputError: a file of the result can't be read.
    """
    found = {
        name: sha256_file(folder / file)
        for name, file in RESULT_IDENTITIES.items()
        if name not in _MAY_LACK or (folder / file).is_file()
    }
    names = {frame.file for frame in log.frames}
    raw = frame_digests([(one.path, one.sha256) for one in log.inputs], names)
    return found | {"raw": combined(raw), "calibration": log.calibration.identity}


def frame_digests(inputs: Sequence[tuple[str, str]], frame_files: set[str]) -> Sequence[str]:
    """The digests of those inputs (path, SHA-256) that are raw frames."""
    return [digest for path, digest in inputs if _ends(path) & frame_files]


def _ends(path: str) -> set[str]:
    """The path, and what is left of it below each of its folders."""
    parts = path.split("/")
    return {"/".join(parts[first:]) for first in range(len(parts))}


def combined(digests: Sequence[str]) -> str:
    """One SHA-256 for a set of them, whatever their order and names."""
    return hashlib.sha256("\n".join(sorted(digests)).encode("ascii")).hexdigest()
