"""Whether the chains of the archive's audit logs hold, and whether results are what was made."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path

from pipeline.config.path_text import path_text
from pipeline.errors import InputError
from pipeline.io.audit_log import AUDIT_FOLDER, AuditRecord, log_folder, read_audit_log
from pipeline.io.digest import sha256_file
from pipeline.io.strip import read_strip
from pipeline.outputs.audit.collect import Record
from pipeline.outputs.audit.finding import Finding
from pipeline.quality.pixel_digest import pixels_sha256


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

    ``strips`` has the strips themselves read too, not only their quality logs.
    """
    known: dict[Path, Sequence[AuditRecord]] = {}
    for folder in sorted(root.rglob(f"{AUDIT_FOLDER}/*")):
        if not folder.is_dir():
            continue
        try:
            known[folder] = read_audit_log(folder)
        except InputError as error:
            name = path_text(folder.relative_to(root))
            yield Finding("broken_log", (folder.name,), (name,), str(error))
    for record in records:
        log = known.get(log_folder(record.path.parent, record.weld_id), ())
        made = [
            one.identities
            for one in log
            if one.action == "stitch" and one.details.get("folder") == record.path.name
        ]
        if not made:
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
