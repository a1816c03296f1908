"""Is a result still what ``stitch`` made? Held against its own log, and against the audit log."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import fields
from typing import Any

from pipeline.errors import InputError
from pipeline.io.audit_log import log_folder, read_audit_log
from pipeline.io.digest import sha256_file
from pipeline.io.fault_list import fault_list
from pipeline.io.positions import PositionRow, read_positions
from pipeline.io.strip import read_maps, read_strip
from pipeline.outputs.archive.weld_source import WeldSource
from pipeline.outputs.audit.identities import RESULT_IDENTITIES
from pipeline.quality.pixel_digest import pixels_sha256

STRIP, MAPS, POSITIONS = "strip.tif", "maps.tif", "positions.csv"
_ROUNDED = 6e-5  # half the last decimal that positions.csv has of millimetres, and a little


def require_as_made(source: WeldSource) -> None:
    """Raise InputError unless strip, maps, positions and log are those that were made together.

    Read are the strip, whose pixels the log names by their SHA-256, the maps, which must fit it,
    and the positions, which the log has too. Where the audit log knows the result, its files must
    also have the SHA-256 that were noted when it was stitched.
    """
    faults = [*_against_log(source), *_against_audit_log(source)]
    if faults:
        raise InputError(
            f"isn't what stitch made: {fault_list(faults)}",
            where=str(source.result),
            expected="the result as it was made",
            remedy="Find out who changed it; or stitch the weld again into a new folder, and "
            "archive that",
        )


def strip_fault(log: Mapping[str, Any], pixels: str) -> str:
    """Why a strip whose pixels have this SHA-256 isn't the one that a log is of; "" if it is, or
    the log has none."""
    told = str((log.get("strip") or {}).get("pixels_sha256") or "")
    if told in ("", pixels):
        return ""
    return (
        f"its pixels have the SHA-256 {pixels[:12]}…, the log tells {told[:12]}…: it was changed, "
        "or is another strip"
    )


def _against_log(source: WeldSource) -> Iterator[str]:
    try:
        strip, _ = read_strip(source.result / STRIP)
        shape = strip.shape
        if fault := strip_fault(source.log, pixels_sha256(strip)):
            yield f"{STRIP}: {fault}"
        del strip
        if read_maps(source.result / MAPS).count.shape != shape:
            yield f"{MAPS}: isn't of the strip's size"
        rows = read_positions(source.result / POSITIONS)
    except InputError as error:
        yield str(error)
        return
    told = source.log.get("frames")
    if told is not None and not _same_rows(rows, told):
        yield f"{POSITIONS}: has other positions than the log"


def _same_rows(rows: tuple[PositionRow, ...], told: list[dict[str, Any]]) -> bool:
    names = [field.name for field in fields(PositionRow)]
    return len(rows) == len(told) and all(
        _same(getattr(row, name), one[name])
        for row, one in zip(rows, told, strict=True)
        for name in names
        if name in one  # logs of older schemas lack some
    )


def _same(one: object, other: object) -> bool:
    if isinstance(one, float) and isinstance(other, int | float):
        return math.isclose(one, other, rel_tol=0, abs_tol=_ROUNDED)
    return one == other


def _against_audit_log(source: WeldSource) -> Iterator[str]:
    result = source.result.resolve()
    folder = log_folder(result.parent, source.job.weld.id)
    if not folder.is_dir():
        return
    paths = {name: result / file for name, file in RESULT_IDENTITIES.items()}
    now = {name: sha256_file(path) for name, path in paths.items() if path.is_file()}
    made = [
        one.identities
        for one in read_audit_log(folder)
        if one.action == "stitch"
        and (one.details.get("folder") == result.name or one.identities.get("log") == now["log"])
    ]
    if not made:
        return
    changed = [
        [name for name in RESULT_IDENTITIES if name in one and now.get(name) != one[name]]
        for one in made
    ]
    if all(changed):
        names = ", ".join(RESULT_IDENTITIES[name] for name in min(reversed(changed), key=len))
        yield f"{names}: not what the audit log {folder} noted when it was stitched"
