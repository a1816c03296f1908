"""The peak memory of this process, for the scripts that run in other environments."""

from __future__ import annotations

from pathlib import Path


def peak_bytes() -> int:
    """The most memory held since the program began.

    Linux's high-water mark: `getrusage` counts what the parent held when it started this process.
    """
    for line in Path("/proc/self/status").read_text(encoding="ascii").splitlines():
        if line.startswith("VmHWM:"):
            return int(line.split()[1]) * 1024
    raise OSError("/proc/self/status tells no VmHWM")
