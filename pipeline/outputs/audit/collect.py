"""What an archive's result folders say of their welds: gathered without reading whole strips."""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from pipeline.config.path_text import path_text
from pipeline.config.weld import WeldJob, load_weld_config
from pipeline.errors import InputError
from pipeline.io.audit_log import AUDIT_FOLDER
from pipeline.io.frame_table import read_frame_table
from pipeline.io.strip_overview import read_overview
from pipeline.model import FrameRow
from pipeline.outputs.audit.identities import frame_digests
from pipeline.quality.evidence.fingerprint import Fingerprint, fingerprint
from pipeline.quality.evidence.schedule import Shot

COARSE_MM = 0.8
"""Pixels of the overviews that fingerprints are made from."""

Progress = Callable[[str, int, int], None]


@dataclass(frozen=True, slots=True)
class Record:
    """One result folder: what it says, and its strip's fingerprint (None: too little is shown).

    ``folder`` is named from the root. ``weld`` is line and weld as people name them: two records of
    the same name are one weld, processed or shot again. ``job`` and ``rows`` are None and empty
    where config or frame table can't be read any more.
    """

    path: Path
    folder: str
    weld: str
    operator: str
    serial: str
    calibration: str
    log_sha256: str
    frames: tuple[str, ...]
    name_in_strip: str
    pixels_sha256: str | None
    weld_id: str
    shot: str
    prints: Fingerprint | None
    job: WeldJob | None
    rows: tuple[FrameRow, ...]
    first_time: str | None
    last_time: str | None


@dataclass(frozen=True, slots=True)
class Unreadable:
    """A folder of which something can't be read, and what."""

    folder: str
    what: str


def find_results(root: Path) -> list[Path]:
    """Every folder below the root that holds a quality log, sorted.

    Raises:
        InputError: there is no such folder, or nothing in it.
    """
    if not root.is_dir():
        raise InputError("there is no such folder", where=str(root))
    found = []
    for parent, folders, files in os.walk(root):
        folders[:] = sorted(
            name for name in folders if name != AUDIT_FOLDER and not name.startswith(".")
        )
        if "quality.json" in files and "strip.tif" in files:
            found.append(Path(parent))
    if not found:
        raise InputError(
            "holds no welds",
            where=str(root),
            expected="result folders (quality.json, strip.tif) somewhere below",
            remedy="Name the folder that the welds' results or bags lie in",
        )
    return found


def collect(
    root: Path, folders: Sequence[Path], *, threads: int, progress: Progress
) -> tuple[list[Record], list[Unreadable]]:
    """The records of those folders, and what couldn't be read of them."""
    records: list[Record] = []
    problems: list[Unreadable] = []
    with ThreadPoolExecutor(threads) as pool:
        for done, (record, wrong) in enumerate(
            pool.map(lambda folder: _record(root, folder), folders), start=1
        ):
            records += [record] if record else []
            problems += wrong
            progress("reading records", done, len(folders))
    return records, problems


def shot_of(record: Record, number: int) -> Shot | None:
    """A record's exposures for the check of times and places; None where it tells no times."""
    times = [row.time for row in record.rows if row.time]
    moments = [_moment(text) for text in times or (record.first_time, record.last_time) if text]
    if len(moments) < 2:
        return None
    places = [
        (row.latitude, row.longitude)
        for row in record.rows
        if row.latitude is not None and row.longitude is not None
    ]
    return Shot(
        number=number,
        panel=record.serial,
        operator=record.operator,
        begin=min(moments),
        end=max(moments),
        exposure_s=sum(row.exposure_s or 0.0 for row in record.rows),
        places=tuple(places),
        times=tuple(times),
    )


def _record(root: Path, folder: Path) -> tuple[Record | None, list[Unreadable]]:
    name = path_text(folder.relative_to(root)) if folder != root else "."
    try:
        content = (folder / "quality.json").read_bytes()
        told = _told(json.loads(content))
        overview = read_overview(folder / "strip.tif", COARSE_MM)
    except (InputError, OSError, ValueError, KeyError, TypeError, AttributeError) as error:
        what = error if isinstance(error, InputError) else f"is no whole result ({error})"
        return None, [Unreadable(name, str(what))]
    problems: list[Unreadable] = []
    job, rows = _scan(folder, name, problems)
    prints = fingerprint(
        overview.values,
        overview.pitch_mm,
        ring=told["ring"],
        circumference_mm=told["circumference_mm"],
    )
    record = Record(
        path=folder,
        folder=name,
        weld=told["weld"],
        operator=told["operator"],
        serial=told["serial"],
        calibration=told["calibration"],
        log_sha256=hashlib.sha256(content).hexdigest(),
        frames=told["frames"],
        name_in_strip=str(overview.metadata.get("weld", told["weld_id"])),
        pixels_sha256=told["pixels_sha256"],
        weld_id=told["weld_id"],
        shot=told["shot"],
        prints=prints,
        job=job,
        rows=rows,
        first_time=told["first_time"],
        last_time=told["last_time"],
    )
    return record, problems


def _told(log: Mapping[str, Any]) -> dict[str, Any]:
    """What the audit needs of a quality log, of this or an older schema."""
    weld, strip = log["weld"], log["strip"]
    names = {str(frame["file"]) for frame in log["frames"]}
    inputs = [(str(one["path"]), str(one["sha256"])) for one in log["inputs"]]
    line, number = str(weld.get("line", "")).strip(), str(weld["id"])
    return {
        "weld": f"{line} {number}".strip(),
        "weld_id": number,
        "shot": str(weld.get("shot", "")),
        "operator": str(weld.get("operator", "")),
        "serial": str(log["calibration"]["serial"]),
        "calibration": str(log["calibration"]["identity"]),
        "frames": tuple(frame_digests(inputs, names)),
        "ring": bool(strip["ring"]),
        "pixels_sha256": strip.get("pixels_sha256"),
        "circumference_mm": float(strip["circumference_mm"]),
        "first_time": log.get("exposure", {}).get("first_time"),
        "last_time": log.get("exposure", {}).get("last_time"),
    }


def _scan(
    folder: Path, name: str, problems: list[Unreadable]
) -> tuple[WeldJob | None, tuple[FrameRow, ...]]:
    """The config and the frame table, where they are still at hand: of the result, else of the bag
    that it lies in."""
    job: WeldJob | None = None
    try:
        for config in (folder / "config.toml", folder.parent / "config.toml"):
            if not config.is_file():
                continue
            job = load_weld_config(config)
            table = job.frames.table_path
            if table.is_file():
                return job, read_frame_table(table, job.frames.folder, missing_files=True)
    except InputError as error:
        problems.append(Unreadable(name, str(error)))
    return job, ()


def _moment(text: str) -> datetime:
    found = datetime.fromisoformat(text)
    return found if found.tzinfo else found.replace(tzinfo=UTC)
