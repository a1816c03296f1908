"""One weld made anew, on whatever worker: called again after any kill, it does nothing twice."""

from __future__ import annotations

import hashlib
import json
import os
import platform
import traceback
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2

from pipeline.batch.identity import software_difference, software_now
from pipeline.batch.source import Source, Told
from pipeline.config.weld import WeldJob
from pipeline.errors import InputError
from pipeline.io.audit_log import log_folder, read_audit_log
from pipeline.io.folders import LOG_FILE
from pipeline.outputs.audit.noting import note_result
from pipeline.outputs.report.page import begin_page
from pipeline.run import run_weld


@dataclass(frozen=True, slots=True)
class Order:
    """What a worker needs to know. ``folder`` is where the result goes, ``result`` the one beside
    which it stands (the same for a weld that had none); ``obsolete`` is the SHA-256 of the quality
    log there that may be replaced, "" if there is none. ``threads`` 0: as many as the worker has.
    """

    weld: str
    result: str
    folder: str
    source: Source
    told: Told
    software: Mapping[str, str]
    obsolete: str
    threads: int
    run: str


@dataclass(frozen=True, slots=True)
class Outcome:
    """How it ended: ``kind`` is done, already (it was there) or failed. ``note`` tells of an audit
    log that couldn't be written."""

    result: str
    weld: str
    kind: str
    reason: str = ""
    verdict: str = ""
    seconds: float = 0.0
    note: str = ""


def reprocess(order: Order) -> Outcome:
    """Make the weld's result where it belongs; whatever goes wrong is told, never raised."""
    try:
        return _reprocess(order)
    except InputError as error:
        return Outcome(order.result, order.weld, "failed", str(error))
    except Exception as error:
        place = traceback.extract_tb(error.__traceback__)[-1]
        where = f"{Path(place.filename).name}:{place.lineno}"
        reason = (
            f"a fault of the tool, not of your input: {type(error).__name__}: {error} ({where})"
        )
        return Outcome(order.result, order.weld, "failed", reason)


def log_digest(folder: Path) -> str:
    """The SHA-256 of the quality log in a result folder; "" where there is none."""
    try:
        return hashlib.sha256((folder / LOG_FILE).read_bytes()).hexdigest()
    except OSError:
        return ""


def with_output(job: WeldJob, folder: Path) -> WeldJob:
    """The job with its result in another folder."""
    return job.model_copy(update={"output": job.output.model_copy(update={"folder": folder})})


def note_made(result: str, folder: Path, run: str) -> str:
    """Have the audit log know that a result was made beside another, unless it does.

    Its record names the folder that it will be accepted into. Returns what went wrong, or nothing.
    """
    return note_once(
        folder, "stitch", {"folder": Path(result).name, "batch": run, "beside": folder.name}
    )


def note_once(folder: Path, action: str, details: Mapping[str, Any]) -> str:
    """Write into the weld's audit log what was done, unless its last word about that is this.

    Returns what went wrong with it, or nothing.
    """
    try:
        weld = str(json.loads((folder / LOG_FILE).read_bytes())["weld"]["id"])
    except (OSError, ValueError, KeyError, TypeError) as error:
        return f"{folder / LOG_FILE} can't be read ({error})"
    place = log_folder(folder.absolute().parent, weld)
    if place.is_dir():
        try:
            told = [one for one in read_audit_log(place) if one.action == action]
        except InputError:
            told = []  # the writer says what is wrong with it
        last = told[-1] if told else None
        if last is not None and last.identities.get("log") == log_digest(folder):
            return ""
    return note_result(folder, action, details)


def _reprocess(order: Order) -> Outcome:
    other = software_difference(software_now(), order.software)
    if other:
        raise InputError(
            f"the worker on {platform.node()} has other versions than this program: {other}",
            where=order.folder,
            remedy="Install the same girthstrip and libraries on all machines",
        )
    folder = Path(order.folder)
    job, _ = order.source.load(order.told)
    there = log_digest(folder)
    if there and there != order.obsolete:  # made by this run, whose worker died before it told
        note = note_made(order.result, folder, order.run)
        return Outcome(order.result, order.weld, "already", note=note)
    threads = order.threads or len(os.sched_getaffinity(0))
    cv2.setNumThreads(threads)
    done = run_weld(
        with_output(job, folder),
        report=begin_page,
        threads=threads,
        replace_folder=bool(order.obsolete),
    )
    verdict = str(done.verdict)
    note = note_made(order.result, folder, order.run)
    return Outcome(order.result, order.weld, "done", "", verdict, sum(done.seconds.values()), note)
