"""How far a batch is: a bar with rate and remaining time, or a line now and then."""

# ruff: noqa: PLC0415 - slow, and only for a terminal

from __future__ import annotations

import sys
import time
from typing import TYPE_CHECKING

import typer

if TYPE_CHECKING:
    from rich.progress import Progress, TaskID

_EACH_S = 20.0


class BatchProgress:
    """Welds done, welds a minute, time that remains, on stderr; a context manager."""

    def __init__(self, quiet: bool) -> None:
        self._quiet = quiet
        self._bars: Progress | None = None
        self._task: TaskID | None = None
        self._begin = self._told = time.monotonic()

    def __enter__(self) -> BatchProgress:
        if not self._quiet and sys.stderr.isatty():
            from rich.console import Console
            from rich.progress import (
                BarColumn,
                MofNCompleteColumn,
                Progress,
                TextColumn,
                TimeRemainingColumn,
            )

            self._bars = Progress(
                TextColumn("{task.description}"),
                BarColumn(),
                MofNCompleteColumn(),
                TextColumn("{task.fields[rate]}"),
                TimeRemainingColumn(),
                console=Console(stderr=True),
            )
            self._bars.start()
        return self

    def __exit__(self, *_: object) -> None:
        if self._bars:
            self._bars.stop()

    def __call__(self, what: str, done: int, total: int) -> None:
        now = time.monotonic()
        elapsed = max(now - self._begin, 1e-9)
        rate = f"{60 * done / elapsed:.3g} welds/min"
        if self._bars:
            if self._task is None:
                self._task = self._bars.add_task(what, total=total, rate=rate)
            self._bars.update(self._task, completed=done, rate=rate)
        elif not self._quiet and (done == total or now - self._told >= _EACH_S):
            self._told = now
            left = elapsed / done * (total - done)
            rest = "" if done == total else f", {duration(left)} left"
            typer.echo(f"{what}: {done} of {total}, {rate}{rest}", err=True)


def duration(seconds: float) -> str:
    """A time for people: ``3 h 20 min``, ``4 min``, ``12 s``."""
    if seconds < 90:
        return f"{seconds:.0f} s"
    minutes = round(seconds / 60)
    return f"{minutes} min" if minutes < 90 else f"{minutes // 60} h {minutes % 60:02d} min"
