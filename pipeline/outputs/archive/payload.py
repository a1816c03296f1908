"""Which files go into a weld's bag, and what they are called there."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pipeline
from pipeline.config.weld import load_weld_config
from pipeline.errors import InputError
from pipeline.io.audit_log import AUDIT_FOLDER, LOG, log_folder
from pipeline.io.fault_list import fault_list
from pipeline.io.job_sheet import CONFIG_KEYS, read_job_sheet, replaced_values
from pipeline.outputs.archive.bag_config import (
    CALIBRATION,
    FRAME_TABLE,
    FRAMES,
    INDICATIONS,
    PROFILE,
    RESULT,
    bag_config,
    table_is_inside,
)
from pipeline.outputs.archive.bag_text import PAYLOAD
from pipeline.outputs.archive.check import AGENT
from pipeline.outputs.archive.copying import Item
from pipeline.outputs.archive.tree import files_below
from pipeline.outputs.archive.weld_source import CONFIG as RESULT_CONFIG
from pipeline.outputs.archive.weld_source import LOG as RESULT_LOG
from pipeline.outputs.archive.weld_source import WeldSource

_CONFIG = f"{PAYLOAD}/config.toml"


@dataclass(frozen=True, slots=True)
class Payload:
    """Files to copy, texts to write (by their names in the bag), and ``bag-info.txt``'s fields."""

    items: tuple[Item, ...]
    texts: Mapping[str, str]
    info: tuple[tuple[str, str], ...]


def payload_of(source: WeldSource, job_sheet: Path | None, more: Sequence[Path]) -> Payload:
    """Frames, calibration, result, configs, tables: all that the strip was made from and became.

    ``more`` are files or folders to be kept with it.

    Raises:
        InputError: a folder can't be read, or holds something that can't be archived.
    """
    job = source.job
    if job.calibration.folder is None:
        raise InputError(
            "names no calibration folder",
            where=str(source.result / RESULT_CONFIG),
            remedy="Stitch the weld again into a new folder",
        )
    folders = {
        FRAMES: job.frames.folder,
        CALIBRATION: job.calibration.folder,
        RESULT: source.result,
    }
    resolved = {name: folder.resolve() for name, folder in folders.items()}
    items: list[Item] = []
    for name, folder in folders.items():
        others = [path for one, path in resolved.items() if one != name]
        items += _folder_items(f"{PAYLOAD}/{name}", folder, others)
    single: dict[str, Path | None] = {
        FRAME_TABLE: None if table_is_inside(job) else job.frames.table_path,
        INDICATIONS: job.indications.file if job.indications else None,
        PROFILE: job.quality.profile_file if job.quality else None,
    }
    if source.original is not None:
        single[f"original/{source.original.name}"] = source.original
    items += [Item(f"{PAYLOAD}/{name}", path) for name, path in single.items() if path is not None]
    items += [Item(f"{PAYLOAD}/{AUDIT_FOLDER}/{path.name}", path) for path in records_until(source)]
    items += added_items(source, job_sheet, more)
    _require_good(items)
    return Payload(tuple(items), {_CONFIG: bag_config(job)}, tuple(_info(source).items()))


def added_items(source: WeldSource, job_sheet: Path | None, more: Sequence[Path]) -> list[Item]:
    """What a person named to be kept with the weld: its job sheet, and other files and folders.

    Raises:
        InputError: something isn't there, or the sheet says other than the strip was made with.
    """
    items: list[Item] = []
    if job_sheet is not None:
        _require_sheet(source, job_sheet)
        items.append(Item(f"{PAYLOAD}/job_sheet{job_sheet.suffix.lower()}", job_sheet))
    for path in more:
        name = f"{PAYLOAD}/more/{path.resolve().name}"
        if path.is_dir():
            items += _folder_items(name, path, [])
        elif path.is_file():
            items.append(Item(name, path))
        else:
            raise InputError(
                "isn't there", where=str(path), remedy="Correct the name that stands behind --with"
            )
    return items


def records_until(source: WeldSource) -> list[Path]:
    """The records of the weld's audit log up to the making of this result; none if it isn't there.

    What came later stays out: the log grows, and copies made on two days must be equal.
    """
    folder = log_folder(source.result.resolve().parent, source.job.weld.id) / LOG.records
    made = hashlib.sha256((source.result / RESULT_LOG).read_bytes()).hexdigest()
    records = sorted(folder.glob("*.json"))
    for count, path in enumerate(records, start=1):
        try:
            told = json.loads(path.read_text(encoding="utf-8"))
            if told["action"] == "stitch" and told["identities"]["log"] == made:
                return records[:count]
        except (OSError, ValueError, KeyError, TypeError):
            continue  # a damaged one is the audit's to tell of
    return []


def require_inputs(source: WeldSource, digests: Mapping[str, str]) -> None:
    """Raise InputError unless all that the strip was made from is among what was copied.

    ``digests`` is the SHA-256 of each file in the bag.
    """
    there = set(digests.values())
    lost = [path for path, digest in source.inputs.items() if digest not in there]
    if lost:
        raise InputError(
            "isn't what the strip was made from any more, or isn't there: " + fault_list(lost),
            where=str(source.result),
            expected="frames, calibration and tables as they were when the strip was made",
            remedy="Find out what changed them; or stitch the weld again into a new folder, and "
            "archive that",
        )


def _require_sheet(source: WeldSource, job_sheet: Path) -> None:
    """The sheet must say of the weld what its result says."""
    job, path = source.job, source.result / RESULT_CONFIG
    row = read_job_sheet(job_sheet, job.weld.id, job.weld.shot)
    told = {CONFIG_KEYS[column]: text for column, text in row.items()}
    other = replaced_values(row, job, load_weld_config(path, told, source=str(job_sheet)))
    if other:
        raise InputError(
            f"says other than the strip was made with: {fault_list(other)}",
            where=str(job_sheet),
            remedy="Is it the sheet of this shift? If the strip was made without it, stitch again "
            "with --job-sheet into a new folder",
        )


def _folder_items(name: str, folder: Path, others: Sequence[Path]) -> list[Item]:
    if not folder.is_dir():
        raise InputError(
            "isn't there",
            where=str(folder),
            expected="the folder that the strip was made from",
            remedy="Connect its drive, or put it back to where the config says",
        )
    tree = files_below(folder, passed_over=others)
    if tree.odd:
        told = [f"{path}: {what}" for path, what in tree.odd.items()]
        raise InputError(
            f"can't be archived: {fault_list(told)}",
            where=str(folder),
            expected="plain files and folders, all readable",
            remedy="Ask for the right to read it"
            if tree.denied
            else "Put a copy of the file in the place of the link",
        )
    return [Item(f"{name}/{inside}", path) for inside, path in sorted(tree.files.items())]


def _require_good(items: Sequence[Item]) -> None:
    """Names must be text, and differ on drives that know no capitals."""
    seen: dict[str, Path] = {}
    for item in items:
        try:
            item.name.encode()
        except UnicodeEncodeError as error:
            raise InputError(
                "has a name that is no UTF-8 text, which a bag can't hold",
                where=repr(str(item.source)),
                remedy="Archive a copy of the folder in which the file has another name",
            ) from error
        other = seen.get(item.name.casefold())
        if other is not None:
            raise InputError(
                f"can't stand beside {other}: on many drives they would be one file",
                where=str(item.source),
                remedy="Archive a copy in which one of them has another name",
            )
        seen[item.name.casefold()] = item.source


def _info(source: WeldSource) -> dict[str, str]:
    """The fields of ``bag-info.txt``: nothing that a second copy would tell otherwise."""
    log: Mapping[str, Any] = source.log
    weld, exposure, calibration = (
        log.get(part) or {} for part in ("weld", "exposure", "calibration")
    )
    shot = str(weld.get("shot") or "")
    number = f"{weld['id']} {shot}".strip()
    return {
        "External-Identifier": number,
        "External-Description": f"Girth weld {number}: raw frames, calibration, config and strip",
        "Bag-Software-Agent": f"{AGENT} {pipeline.__version__}",
        **{
            label: str(weld.get(key) or "")
            for label, key in (
                ("Line", "line"),
                ("Station", "station"),
                ("Procedure", "procedure"),
                ("Material", "material"),
                ("Diameter-mm", "diameter_mm"),
                ("Wall-mm", "wall_mm"),
                ("Operator", "operator"),
                ("Evaluator", "evaluator"),
            )
        },
        "Exposed-From": str(exposure.get("first_time") or ""),
        "Exposed-Until": str(exposure.get("last_time") or ""),
        "Panel-Serial": str(calibration.get("serial") or ""),
        "Calibration-Identity": str(calibration.get("identity") or ""),
    }
