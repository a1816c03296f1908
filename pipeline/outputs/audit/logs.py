"""Whether the chains of the archive's audit logs hold, and whether results are what was made."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

from pipeline.config.path_text import path_text
from pipeline.errors import InputError
from pipeline.io.audit_log import AUDIT_FOLDER, AuditRecord, log_folder, read_audit_log
from pipeline.io.digest import sha256_file
from pipeline.io.strip import read_strip
from pipeline.outputs.audit.collect import Record
from pipeline.outputs.audit.finding import Finding
from pipeline.quality.pixel_digest import pixels_sha256

_MAKING = ("stitch", "restore")


def check_strips(records: Sequence[Record]) -> Iterator[Finding]:
    """Strips whose pixels aren't those that their quality log was made of; reads every strip."""
    for record in records:
        if record.pixels_sha256 is None:
            continue
        try:
            pixels, _ = read_strip(record.path / "strip.tif")
        except InputError as error:
            yield Finding("unreadable", (record.weld,), (record.folder,), str(error))
            continue
        now = pixels_sha256(pixels)
        if now != record.pixels_sha256:
            yield Finding(
                "other_strip",
                (record.weld,),
                (record.folder,),
                "the pixels of strip.tif aren't those that quality.json describes",
                {"sha256_of_pixels": now, "sha256_in_log": record.pixels_sha256},
            )


def check_logs(root: Path, records: Sequence[Record], *, strips: bool) -> Iterator[Finding]:
    """Broken chains, and results that were changed after they were made.

    A result that the log beside it doesn't know is no question if any other log below ``root``,
    those in bags included, tells of its making: it was copied or restored from there.
    ``strips`` has the strips themselves read too, not only their quality logs.
    """
    known: dict[Path, Sequence[AuditRecord]] = {}
    broken: set[Path] = set()
    for folder in sorted(root.rglob(f"{AUDIT_FOLDER}/*")):
        if not folder.is_dir():
            continue
        try:
            known[folder] = read_audit_log(folder)
        except InputError as error:
            broken.add(folder)
            name = path_text(folder.relative_to(root))
            yield Finding("broken_log", (folder.name,), (name,), str(error))
    vouched = {
        str(identities.get("log"))
        for action, identities in (
            *((one.action, one.identities) for log in known.values() for one in log),
            *_in_bags(root),
        )
        if action in _MAKING
    }
    for record in records:
        place = log_folder(record.path.parent, record.weld_id)
        if place in broken:  # told already
            continue
        log = known.get(place, ())
        made = [
            one.identities
            for one in log
            if one.action in _MAKING and one.details.get("folder") == record.path.name
        ]
        if not made:
            if record.log_sha256 not in vouched and _has_logs(record.path.parent):
                yield _not_in_log(record, log)
            continue
        now = {"log": record.log_sha256}
        if strips:
            now["strip"] = sha256_file(record.path / "strip.tif")
        changed = [
            name for name, digest in now.items() if all(one.get(name) != digest for one in made)
        ]
        if changed:
            files = {"log": "quality.json", "strip": "strip.tif"}
            yield Finding(
                "changed_since",
                (record.weld,),
                (record.folder,),
                f"{' and '.join(files[name] for name in changed)} "
                f"{'is' if len(changed) == 1 else 'are'} not what was stitched",
                {name: now[name] for name in changed},
            )


def _in_bags(root: Path) -> Iterator[tuple[str, Mapping[str, Any]]]:
    """Action and identities of the records in bags, which hold those up to the strip's making.

    What can't be read vouches for nothing; bags are what ``archive verify`` looks after.
    """
    for path in sorted(root.rglob(f"{AUDIT_FOLDER}/*.json")):
        try:
            told = json.loads(path.read_bytes())
            yield told["action"], dict(told["identities"])
        except (OSError, ValueError, KeyError, TypeError):
            continue


def _has_logs(parent: Path) -> bool:
    """Whether audit logs of welds stand in a folder; a bag's copy of one log is none."""
    place = parent / AUDIT_FOLDER
    return place.is_dir() and not any(place.glob("*.json"))


def _not_in_log(record: Record, log: Sequence[AuditRecord]) -> Finding:
    what = (
        f"the audit log beside it has {len(log)} record{'s' * (len(log) > 1)}, none of its making"
        if log
        else f"{AUDIT_FOLDER} beside it has no log of this weld"
    )
    return Finding("not_in_log", (record.weld,), (record.folder,), what)
