"""Which welds lie in the served folder: result folders, sound or not, each with its key."""

from __future__ import annotations

import hashlib
import json
import os
import stat
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from pipeline.batch.names import STATE_FOLDER
from pipeline.errors import InputError
from pipeline.io.audit_log import AUDIT_FOLDER
from pipeline.io.folder_names import names_in
from pipeline.io.folders import BAG_FILE, CALIBRATION_FILE, LIBRARY_FILE, LOG_FILE

STRIP_FILE, MAPS_FILE = "strip.tif", "maps.tif"
CONFIG_FILE = "config.toml"
_CLOSED = frozenset({BAG_FILE, CALIBRATION_FILE, LIBRARY_FILE})
_PASSED_OVER = frozenset({AUDIT_FOLDER, STATE_FOLDER})
_KEY_DIGITS = 12
_MOST_FOLDERS = 50_000
_LARGEST_LOG = 64 * 2**20


@dataclass(frozen=True, slots=True)
class Found:
    """A result folder: its key, where it lies, whose it is, and what is wrong with it, if anything.

    ``label`` is its path from the served folder. The strip's ends are in mm from the datum;
    ``strip`` is its pixels' digest.
    """

    key: str
    folder: Path
    label: str
    weld: str = ""
    shot: str = ""
    verdict: str = ""
    s_from_mm: float = 0.0
    s_to_mm: float = 0.0
    strip: str | None = None
    fault: str = ""


def find_welds(root: Path) -> dict[str, Found]:
    """Every result folder in ``root``, which may be one itself, by key, in the order of paths.

    Folders that hold only part of a result are found too, with their fault. Links, hidden folders,
    bags, calibrations and libraries are passed over.
    """
    found = {}
    for folder in _result_folders(root):
        label = folder.relative_to(root).as_posix()
        digest = hashlib.sha256(os.fsencode(label)).hexdigest()
        key = digest[:_KEY_DIGITS]
        shown = root.name if label == "." else label
        found[key] = _look(key, folder, shown.encode("utf-8", "replace").decode("utf-8"))
    return found


def _result_folders(root: Path) -> Iterator[Path]:
    waiting, seen = [root], 0
    while waiting and seen < _MOST_FOLDERS:
        folder = waiting.pop()
        seen += 1
        try:
            below, files = names_in(folder)
        except OSError:
            continue  # what may not be looked into isn't served
        if not _CLOSED.isdisjoint(files):
            continue
        if not {LOG_FILE, STRIP_FILE}.isdisjoint(files):
            yield folder
            continue
        names = sorted(set(below) - _PASSED_OVER, reverse=True)
        waiting += [folder / name for name in names]


def _look(key: str, folder: Path, label: str) -> Found:
    """What the log says of itself; read whole and checked only when the weld is opened."""
    try:
        for name in (LOG_FILE, STRIP_FILE, MAPS_FILE):
            require_plain(folder / name)
        log = json.loads((folder / LOG_FILE).read_text(encoding="utf-8"))
        weld, strip = log["weld"], log["strip"]
        first_mm = float(strip["s_first_mm"])
        length_mm = int(strip["columns"]) * float(strip["pitch_mm"]) - float(strip["overrun_mm"])
        return Found(
            key,
            folder,
            label,
            str(weld["id"])[:200],
            str(weld.get("shot") or "")[:20],
            str(log["verdict"])[:20],
            first_mm,
            first_mm + length_mm,
            str(strip["pixels_sha256"]) if strip.get("pixels_sha256") else None,
        )
    except InputError as error:
        return Found(key, folder, label, fault=f"{Path(error.where).name} {error.what}")
    except (OSError, ValueError, KeyError, TypeError, AttributeError, RecursionError) as error:
        fault = f"{LOG_FILE} is no quality log ({type(error).__name__}: {error})"
        return Found(key, folder, label, fault=fault[:300])


def require_plain(path: Path) -> None:
    """Raise InputError unless this is a plain file: a link could lead out of the served folder."""
    remedy = "Copy the result again, or stitch it anew"
    try:
        told = os.lstat(path)
    except OSError as error:
        what = f"can't be read ({error.strerror})"
        raise InputError(what, where=str(path), expected="a file", remedy=remedy) from error
    if not stat.S_ISREG(told.st_mode):
        raise InputError(
            "is no plain file", where=str(path), expected="a file, no link", remedy=remedy
        )
    if path.name == LOG_FILE and told.st_size > _LARGEST_LOG:
        raise InputError(f"has {told.st_size} bytes", where=str(path), remedy=remedy)
