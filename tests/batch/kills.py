"""A batch as a process of its own, and the processes that it starts, to be killed at will."""

from __future__ import annotations

import os
import re
import signal
import subprocess
import sys
import time
from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path

COMMAND = [sys.executable, "-c", "from pipeline.cli import main; main()"]
LISTENING = "0A"  # in /proc/net/tcp


def start(*words: object) -> subprocess.Popen[str]:
    """``girthstrip batch …`` in a process group of its own."""
    return subprocess.Popen(
        [*COMMAND, "batch", *map(str, words)],
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        start_new_session=True,
    )


def workers_of(parent: int) -> Sequence[int]:
    """The processes below ``parent`` that work on welds: not those that only keep its books."""
    found, waiting = [], [parent]
    while waiting:
        below = _children(waiting.pop())
        waiting += below
        found += [pid for pid in below if "spawn_main" in _command(pid)]
    return found


def kill(pid: int) -> None:
    """End a process at once, as a power cut would; one that has just ended is no matter."""
    with suppress(ProcessLookupError):
        os.kill(pid, signal.SIGKILL)


def kill_all(process: subprocess.Popen[str]) -> None:
    """End a batch and everything that it started, at once."""
    for pid in (process.pid, *workers_of(process.pid)):
        kill(pid)
    process.communicate()


def wait_for(what: object, seconds: float = 60.0) -> None:
    """Until a callable says yes, or a file is there."""
    until = time.monotonic() + seconds
    while not (what() if callable(what) else Path(str(what)).exists()):
        assert time.monotonic() < until, f"{what} didn't come"
        time.sleep(0.01)


def half_made(root: Path) -> Sequence[Path]:
    """Folders under construction."""
    return sorted(root.glob("welds/*/.result*.partial-*"))


def listening(pids: Sequence[int]) -> Sequence[str]:
    """The addresses (hexadecimal, as the kernel has them) that these processes listen at."""
    inodes = {
        match[1]
        for pid in pids
        for path in Path(f"/proc/{pid}/fd").iterdir()
        if (match := re.fullmatch(r"socket:\[(\d+)\]", _link(path)))
    }
    found = []
    for table in ("tcp", "tcp6"):
        for line in Path(f"/proc/self/net/{table}").read_text(encoding="ascii").splitlines()[1:]:
            words = line.split()
            if words[3] == LISTENING and words[9] in inodes:
                found.append(words[1].partition(":")[0])
    return found


def _children(pid: int) -> list[int]:
    try:
        tasks = list(Path(f"/proc/{pid}/task").iterdir())
        return [
            int(word)
            for task in tasks
            for word in (task / "children").read_text(encoding="ascii").split()
        ]
    except OSError:
        return []


def _command(pid: int) -> str:
    try:
        return Path(f"/proc/{pid}/cmdline").read_bytes().decode("utf-8", "replace")
    except OSError:
        return ""


def _link(path: Path) -> str:
    try:
        return str(path.readlink())
    except OSError:
        return ""
