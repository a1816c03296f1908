"""A process run to its end, or to a limit."""

from __future__ import annotations

import subprocess
from pathlib import Path

from tests.benchmarks.peers.environments import last_line


def fault_of(command: list[str], log: Path, limit_s: float, cwd: Path | None = None) -> str:
    """Why ``command`` failed, "" if it didn't; killed after ``limit_s`` seconds.

    All it says goes to ``log``.
    """
    with log.open("wb") as out:
        try:
            done = subprocess.run(
                command, stdout=out, stderr=subprocess.STDOUT, cwd=cwd, timeout=limit_s, check=False
            )
        except subprocess.TimeoutExpired:
            return f"stopped after {limit_s:.0f} s"
    return last_line(log.read_text(encoding="utf-8", errors="replace")) if done.returncode else ""
