"""One result looked at in full: what made it, against what its weld would be made from now."""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from pipeline.asked import profile_of
from pipeline.batch.facts import Facts, wanted_text
from pipeline.batch.identity import NUMERIC, differing, job_values
from pipeline.batch.index import Index
from pipeline.batch.raw_files import changed_files, raw_files
from pipeline.batch.source import SHEET_KEYS, Source, Told
from pipeline.choose import wanted_by_panel
from pipeline.config.path_text import path_text
from pipeline.config.weld import WeldJob, load_weld_config
from pipeline.errors import InputError
from pipeline.io.folders import LOG_FILE
from pipeline.io.frame_table import read_frame_table
from pipeline.io.frames import find_scan
from pipeline.model import FrameRow

_CONFIG, _TIMING = "config.toml", "timing.json"
_SHOWN = 4


def examine(
    result: str, source: Source, told: Told, index: Index, *, verify: bool
) -> tuple[Facts, Sequence[str]]:
    """The facts of a result, and every file that they follow from."""
    files = [f"{result}/{LOG_FILE}", f"{result}/{_CONFIG}", source.config]
    try:
        return _examine(result, source, told, index, files, verify=verify), files
    except (InputError, OSError, ValueError, KeyError, TypeError) as error:
        text = str(error) if isinstance(error, InputError) else f"{type(error).__name__}: {error}"
        return Facts(weld=os.path.basename(result), fault=text), files  # noqa: PTH119


def _examine(
    result: str, source: Source, told: Told, index: Index, files: list[str], *, verify: bool
) -> Facts:
    log_path = Path(result, LOG_FILE)
    content = log_path.read_bytes()
    log: Mapping[str, Any] = json.loads(content)
    job, in_sheet = source.load(told)
    raw = raw_files(job, log)
    files += [*raw, os.path.abspath(job.frames.folder)]  # noqa: PTH100  # links stay unresolved
    weld, shot = str(log["weld"]["id"]), str(log["weld"].get("shot", ""))
    reasons = []
    changed = changed_files(raw, log_path.stat().st_mtime_ns, index, verify=verify)
    if changed:
        reasons.append(f"frames: {_listed(changed)}")
    different, question = _config_difference(result, source, job, in_sheet)
    if different:
        reasons.append(f"config: {different}")
    if (job.weld.id, job.weld.shot) != (weld, shot):
        question = f"it is the result of weld {weld} {shot}".rstrip() + (
            f", its config says {job.weld.id} {job.weld.shot}".rstrip()
        )
    if profile := _profile_difference(job, log, files):
        reasons.append(profile)
    timing = _timing(Path(result, _TIMING))
    return Facts(
        weld=weld,
        shot=shot,
        verdict=str(log["verdict"]),
        log_sha256=hashlib.sha256(content).hexdigest(),
        software={name: str(log["software"].get(name, "not told")) for name in NUMERIC},
        calibration=str(log["calibration"]["identity"]),
        serial=job.panel.serial,
        wanted=wanted_text(wanted_by_panel(job.panel, _rows(job))),
        told=_calibration_told(job),
        reasons=tuple(reasons),
        question=question,
        **timing,
    )


def _config_difference(
    result: str, source: Source, job: WeldJob, in_sheet: bool
) -> tuple[str, str]:
    """What of the config changed, and what of it a person has to tell first."""
    if source.own and not in_sheet:
        return "", ""
    try:
        made_with = load_weld_config(Path(result, _CONFIG))
    except InputError as error:
        return f"the one in the result can't be read any more ({str(error).splitlines()[-1]})", ""
    found = differing(job_values(made_with), job_values(job))
    told = [f"{key} {old} → {new}" for key, (old, new) in found.items()]
    if found and not in_sheet and found.keys() <= SHEET_KEYS:
        return "", (
            f"{_listed(told)}: did a job sheet tell it? Then give it with --job-sheet; otherwise "
            f"{Path(source.config).name} or the result is wrong"
        )
    return _listed(told), ""


def _profile_difference(job: WeldJob, log: Mapping[str, Any], files: list[str]) -> str:
    """Whether image quality would be held against another profile than it was."""
    then = log["software"].get("profile")
    if then is None:
        return ""
    if job.quality is not None and job.quality.profile_file is not None:
        files.append(path_text(job.quality.profile_file.absolute()))
    now = profile_of(job.quality).identity
    return "" if now == then else f"profile: {then} → {now}"


def _rows(job: WeldJob) -> Sequence[FrameRow]:
    """The frame table, with what DICOM headers tell."""
    if job.frames.format == "dicom":
        return find_scan(job.frames, job.panel).rows
    return read_frame_table(job.frames.table_path, job.frames.folder, missing_files=True)


def _calibration_told(job: WeldJob) -> str:
    told = job.calibration
    paths = {
        name: None if path is None else os.path.abspath(path)  # noqa: PTH100
        for name, path in (("folder", told.folder), ("from_library", told.from_library))
    }
    return json.dumps({**paths, "allow": list(told.allow)}, sort_keys=True)


def _timing(path: Path) -> dict[str, Any]:
    """What the strip took; nothing where that isn't known."""
    try:
        told = json.loads(path.read_bytes())
        return {
            "raw_pixels": int(told["raw_pixels"]),
            "seconds": float(sum(told["seconds"].values())),
            "threads": int(told["threads"]),
            "peak_bytes": int(told["peak_bytes"]),
        }
    except (OSError, ValueError, KeyError, TypeError, AttributeError):
        return {}


def _listed(texts: Sequence[str]) -> str:
    more = f" and {len(texts) - _SHOWN} more" if len(texts) > _SHOWN else ""
    return ", ".join(texts[:_SHOWN]) + more
