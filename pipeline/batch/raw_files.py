"""Whether the files that a strip was made from are still those: by their times, else by hash."""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from pathlib import Path

from pipeline.batch.index import Index
from pipeline.config.weld import WeldJob
from pipeline.errors import InputError


def raw_files(job: WeldJob, log: Mapping[str, object]) -> Mapping[str, str | None]:
    """Absolute path → SHA-256 in the log (None: it wasn't read) of frame table, frames, and the
    reviewer's indications.

    The log names files from the config's folder on, or by their last two parts; so they are found
    by how their paths end.
    """
    ends: dict[str, str] = {}
    inputs = log.get("inputs")
    for one in inputs if isinstance(inputs, list) else ():
        parts = str(one["path"]).split("/")
        for first in range(len(parts)):
            ends.setdefault("/".join(parts[first:]), str(one["sha256"]))
    frames = log.get("frames")
    names = dict.fromkeys(str(one["file"]) for one in (frames if isinstance(frames, list) else ()))
    folder = os.path.abspath(job.frames.folder)  # noqa: PTH100  # links stay unresolved
    found = {f"{folder}/{job.frames.table}": ends.get(Path(job.frames.table).name)}
    found |= {f"{folder}/{name}": ends.get(name) for name in names}
    if job.indications is not None and job.indications.file is not None:
        file = os.path.abspath(job.indications.file)  # noqa: PTH100
        found[file] = ends.get(Path(file).name)
    return found


def changed_files(
    files: Mapping[str, str | None], made_ns: int, index: Index, *, verify: bool
) -> Sequence[str]:
    """In words, each file that isn't what the strip was made from.

    A file that is older than the strip, in a folder in which nothing came or went since, is taken
    for the one that was read; any other is read and hashed, unless the index knows its hash. With
    ``verify`` all are read.
    """
    changed = []
    times: dict[str, int] = {}
    for path, digest in files.items():
        name, folder = os.path.basename(path), os.path.dirname(path)  # noqa: PTH119, PTH120
        try:
            mtime = os.stat(path).st_mtime_ns  # noqa: PTH116 - see index.signature
            if folder not in times:
                times[folder] = os.stat(folder).st_mtime_ns  # noqa: PTH116
        except OSError:
            if digest is not None:
                changed.append(f"{name} is missing")
            continue
        older = max(mtime, times[folder]) < made_ns
        if digest is None:
            if mtime >= made_ns:
                changed.append(f"{name} wasn't read, and is newer than the strip")
        elif verify or not older:
            try:
                if index.sha256(path, anew=verify) != digest:
                    changed.append(f"{name} has another content")
            except InputError as error:
                changed.append(str(error))
    return changed
