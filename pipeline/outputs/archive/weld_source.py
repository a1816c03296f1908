"""A weld that is to be archived: its result, its config, what its log tells of it."""

from __future__ import annotations

import hashlib
import json
import os
import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pipeline.config.weld import WeldJob, load_weld_config, with_own_folder
from pipeline.errors import InputError

LOG, CONFIG = "quality.json", "config.toml"
_LONGEST_NAME = 60
_TABLES = ("weld", "exposure", "calibration", "strip", "software")

NAME_DIGITS = 12
"""How many digits of the log's SHA-256 end a bag's name."""


@dataclass(frozen=True, slots=True)
class WeldSource:
    """Where a weld's result lies, the config that made it, and its quality log as it is stored.

    ``original`` is the config that was named, None where the result itself was.
    """

    result: Path
    job: WeldJob
    log: Mapping[str, Any]
    bag_name: str
    original: Path | None

    @property
    def inputs(self) -> dict[str, str]:
        """Path → SHA-256 of every file that the strip was made from."""
        return {str(one["path"]): str(one["sha256"]) for one in self.log["inputs"]}


def find_weld(path: Path) -> WeldSource:
    """The weld that a path means: a result folder, a weld's config, or a folder with just one.

    Raises:
        InputError: there is none, or it hasn't been stitched.
        ConfigError: its config is at fault.
    """
    if is_result(path):
        return _source(path, None)
    config = _config_in(path) if path.is_dir() else path
    result = with_own_folder(load_weld_config(config)).output.folder
    if not is_result(result):
        raise InputError(
            "is no result of stitch",
            where=str(result),
            expected=f"{LOG} and {CONFIG} in it",
            remedy=f"girthstrip stitch {config} makes it; if it lies elsewhere, name that folder",
        )
    return _source(result, config)


def is_result(folder: Path) -> bool:
    """Whether a folder is what ``stitch`` made of a weld."""
    names = (LOG, CONFIG)
    return all(os.path.isfile(folder / name) for name in names)  # noqa: PTH113 - false without rights


def bag_name_of(result: Path) -> str:
    """What the bag of a result is called: weld, shot, and the first digits of its log's SHA-256.

    The log holds the digests of all inputs, so another shot, another calibration or another
    processing has another name, and nothing ever stands in its way.

    Raises:
        InputError: the log can't be read.
    """
    content, log = _read_log(result)
    weld = log["weld"]
    label = re.sub(r"[^\w.-]+", "_", str(weld["id"]), flags=re.ASCII).strip(".")
    shot = str(weld.get("shot") or "")
    parts = [
        label[:_LONGEST_NAME] or "weld",
        shot,
        hashlib.sha256(content).hexdigest()[:NAME_DIGITS],
    ]
    return "_".join(part for part in parts if part)


def _source(result: Path, original: Path | None) -> WeldSource:
    _, log = _read_log(result)
    job = load_weld_config(result / CONFIG)
    told = str(log["weld"]["id"])
    if job.weld.id != told:
        raise InputError(
            f"is the config of weld {job.weld.id!r}, but {LOG} is of {told!r}",
            where=str(result / CONFIG),
            expected="both of one weld",
            remedy="Stitch the weld again into a new folder",
        )
    if original is not None:
        asked = load_weld_config(original).weld.id
        if asked != told:
            raise InputError(
                f"is of weld {asked!r}, but its result {result} is of {told!r}",
                where=str(original),
                remedy="Name the result folder that is meant",
            )
    return WeldSource(result, job, log, bag_name_of(result), original)


def _read_log(result: Path) -> tuple[bytes, dict[str, Any]]:
    """The log's bytes, and what of it is needed, whatever its schema's number."""
    path = result / LOG
    try:
        content = path.read_bytes()
        log = json.loads(content)
        str(log["weld"]["id"])
        [(one["path"], one["sha256"]) for one in log["inputs"]]
        odd = [name for name in _TABLES if not isinstance(log.get(name) or {}, dict)]
        if odd:
            raise TypeError(f"{', '.join(odd)}: no table")
    except (OSError, ValueError, TypeError, KeyError, AttributeError) as error:
        raise InputError(
            f"can't be read as a quality log ({error})",
            where=str(path),
            remedy="Stitch the weld again into a new folder",
        ) from error
    return content, log


def _config_in(folder: Path) -> Path:
    """The one weld config in a folder."""
    found = [path for path in sorted(folder.glob("*.toml")) if _is_weld_config(path)]
    if len(found) == 1:
        return found[0]
    raise InputError(
        f"holds {len(found) or 'no'} configs of welds"
        + (f": {', '.join(path.name for path in found)}" if found else ""),
        where=str(folder),
        expected="a result folder, or a folder with just one weld's config",
        remedy="Name the config or the result folder",
    )


def _is_weld_config(path: Path) -> bool:
    try:
        told = tomllib.loads(path.read_text(encoding="utf-8-sig"))
    except (OSError, ValueError):
        return False
    return "weld" in told and "stages" in told
