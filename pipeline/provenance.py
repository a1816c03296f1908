"""What a run was made from, and what it took: the inputs' digests, and all that differs from run to
run."""

from __future__ import annotations

import json
import platform
import resource
from collections.abc import Mapping
from pathlib import Path

from pipeline.config.path_text import path_text
from pipeline.config.weld import WeldJob
from pipeline.io.digest import sha256_file
from pipeline.io.frames import Scan
from pipeline.quality.log import InputFile
from pipeline.record import software


def inputs_of(scan: Scan, calibration: Path, job: WeldJob) -> tuple[InputFile, ...]:
    """Every file of the scan and of the calibration's folder, and the reviewer's table, with its
    digest.

    Named from the config's folder where it lies in there.
    """
    files = [*scan.files, *sorted(path for path in calibration.iterdir() if path.is_file())]
    if job.indications is not None and job.indications.file is not None:
        files.append(job.indications.file)
    return tuple(InputFile(_named_from(path, job.base), sha256_file(path)) for path in files)


def _named_from(path: Path, base: Path) -> str:
    """The path from ``base`` on if it lies in there, else its last two parts."""
    absolute, root = path.resolve(), base.resolve()
    if absolute.is_relative_to(root):
        return path_text(absolute.relative_to(root))
    return path_text(Path(absolute.parent.name, absolute.name))


def timing_record(seconds: Mapping[str, float], scan: Scan, threads: int) -> str:
    """The text of ``timing.json``."""
    record = {
        "seconds": {name: round(value, 4) for name, value in seconds.items()},
        "raw_pixels": len(scan.rows) * scan.shape[0] * scan.shape[1],
        "peak_bytes": _peak_bytes(),
        "threads": threads,
        "host": platform.node(),
        "machine": platform.machine(),
        "system": platform.system(),
        "software": dict(software()),
    }
    return json.dumps(record, indent=1, sort_keys=True) + "\n"


def _peak_bytes() -> int:
    """The most memory that this process has held.

    Not what getrusage says: there a process begins with its parent's peak.
    """
    try:
        status = Path("/proc/self/status").read_text(encoding="ascii", errors="replace")
    except OSError:  # no such place on this system
        return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024
    line = next(line for line in status.splitlines() if line.startswith("VmHWM"))
    return int(line.split()[1]) * 1024
