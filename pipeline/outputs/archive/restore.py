"""A strip made again from a bag, held against the one in it."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pipeline.errors import InputError
from pipeline.io.strip import read_strip
from pipeline.outputs.archive.as_made import MAPS, POSITIONS, STRIP, strip_fault
from pipeline.outputs.archive.bag_config import RESULT
from pipeline.outputs.archive.bag_text import PAYLOAD
from pipeline.quality.pixel_digest import pixels_sha256

SAME_BYTES = (STRIP, MAPS, POSITIONS)
"""What must come out again byte for byte."""

_BLOCK_BYTES = 2**20


@dataclass(frozen=True, slots=True)
class Compared:
    """File → whether it came out the same; sentences about what differs in log and software."""

    same: Mapping[str, bool]
    software: tuple[str, ...]
    log: tuple[str, ...]

    @property
    def restored(self) -> bool:
        """Whether strip, maps and positions came out the same."""
        return all(self.same.values())


def config_in(bag: Path) -> Path:
    """The config that makes the strip again.

    Raises:
        InputError: the bag has none.
    """
    config = bag / PAYLOAD / "config.toml"
    if not config.is_file():
        raise InputError(
            "isn't there",
            where=str(config),
            expected="the bag of a weld",
            remedy="girthstrip archive verify tells what became of the bag",
        )
    return config


def compare(bag: Path, made: Path) -> Compared:
    """What ``made``, a result folder, has other than the result in the bag.

    In the log, paths of inputs don't count, as files are called otherwise in a bag; which file is
    which is told by the digests.
    """
    kept = bag / PAYLOAD / RESULT
    same = {name: _equal(kept / name, made / name) for name in SAME_BYTES}
    before, after = (_log(folder / "quality.json") for folder in (kept, made))
    then, now = (_made_with(folder, log) for folder, log in ((kept, before), (made, after)))
    software = [
        f"{name}: {then.get(name, 'not told')} then, {now.get(name, 'not told')} now"
        for name in sorted(then.keys() | now.keys())
        if then.get(name) != now.get(name)
    ]
    if not (all(same.values()) or software):
        software = [_why_else(kept, same, before)]
    return Compared(same, tuple(software), tuple(_log_differences(before, after)))


def _why_else(kept: Path, same: Mapping[str, bool], log: Mapping[str, Any]) -> str:
    """What is left to say where all versions are the same, and yet something differs."""
    if same[STRIP]:
        return (
            "all versions are the same, and so is the strip: the other files were changed before "
            "they were archived, or the program was within its version"
        )
    try:
        fault = strip_fault(log, pixels_sha256(read_strip(kept / STRIP)[0]))
    except InputError as error:
        fault = str(error)
    if fault:
        return f"{STRIP} in the bag isn't the one that its quality log is of: {fault}"
    return "all versions are the same: the program was changed within its version"


def _made_with(folder: Path, log: Mapping[str, Any]) -> dict[str, Any]:
    """Versions from the log, and the kind of machine, which bears on the last digit."""
    try:
        timing = json.loads((folder / "timing.json").read_text(encoding="utf-8"))
        machine = {name: timing[name] for name in ("machine", "system")}
    except (OSError, ValueError, KeyError, TypeError):
        machine = {}
    return {**log["software"], **machine}


def _log_differences(before: dict[str, Any], after: dict[str, Any]) -> Iterator[str]:
    for key in sorted((before.keys() | after.keys()) - {"software", "inputs", "checks"}):
        if before.get(key) != after.get(key):
            yield f"{key}: not the same"
    digests = [sorted(one["sha256"] for one in log["inputs"]) for log in (before, after)]
    if digests[0] != digests[1]:
        yield "inputs aren't the same files"
    checks = [{one["id"]: one for one in log["checks"]} for log in (before, after)]
    for name in sorted(checks[0].keys() | checks[1].keys()):
        if checks[0].get(name) != checks[1].get(name):
            values = [(one.get(name) or {}).get("value", "not there") for one in checks]
            yield f"check {name}: {values[0]} then, {values[1]} now"


def _log(path: Path) -> dict[str, Any]:
    try:
        log: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError) as error:
        raise InputError(f"can't be read ({error})", where=str(path)) from error
    return {"software": {}, "inputs": [], "checks": []} | log


def _equal(one: Path, other: Path) -> bool:
    try:
        with one.open("rb") as first, other.open("rb") as second:
            while True:
                blocks = first.read(_BLOCK_BYTES), second.read(_BLOCK_BYTES)
                if blocks[0] != blocks[1]:
                    return False
                if not blocks[0]:
                    return True
    except OSError:
        return False
