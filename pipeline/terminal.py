"""What the commands show: results on stdout, progress and faults on stderr."""

from __future__ import annotations

import json
import sys
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import typer

if TYPE_CHECKING:
    from rich.progress import Progress, TaskID

    from pipeline.quality.check import Check
    from pipeline.run import RunResult

CAUTION = (
    "Ionising radiation harms: this tool never controls radiation and never accepts or rejects a "
    "weld; qualified persons, the written procedure and local rules do."
)


def show(as_json: bool, record: Mapping[str, Any], text: str) -> None:
    """A result on stdout: the record for programs, or the text for people."""
    typer.echo(json.dumps(record, indent=1, sort_keys=True) if as_json else text)


def show_strip(result: RunResult, as_json: bool) -> None:
    """What became of a weld: where to look, what was left out, the verdict and what bears on it."""
    log, folder = result.log, result.folder
    judged = [check for check in log.checks if check.verdict != "pass"]
    left_out = [frame for frame in log.frames if not frame.used]
    lines = [
        f"strip       {folder / 'strip.tif'} ({log.strip.columns} × {log.strip.rows} pixels)",
        f"report      {folder / 'quality.html'}",
        f"frames      {len(log.frames) - len(left_out)} of {len(log.frames)} used",
        *(f"  left out  {frame.file}: {frame.why_not}" for frame in left_out),
        f"verdict     {log.verdict}",
        *(f"  {check.verdict:9} {check.id}: {_told(check)}" for check in judged),
        CAUTION,
    ]
    record = {
        "folder": str(folder),
        "report": str(folder / "quality.html"),
        "verdict": str(log.verdict),
        "checks": {check.id: str(check.verdict) for check in log.checks},
        "frames": {"used": len(log.frames) - len(left_out), "left_out": len(left_out)},
        "seconds": dict(result.seconds),
    }
    show(as_json, record, "\n".join(lines))


def _told(check: Check) -> str:
    value = "not measured" if check.value is None else f"{check.value:.6g} {check.unit}".strip()
    limit = "" if check.limit is None else f", limit {check.limit:.6g}"
    return f"{value}{limit}{f' ({check.note})' if check.note else ''}"


class ProgressLines:
    """What is being done and how far it is, on stderr: bars, or a line each without a terminal."""

    def __init__(self, quiet: bool) -> None:
        self._quiet = quiet
        self._bars: Progress | None = None
        self._tasks: dict[str, TaskID] = {}

    def __enter__(self) -> ProgressLines:
        if not self._quiet and sys.stderr.isatty():
            from rich.console import Console  # noqa: PLC0415 - slow, and only for a terminal
            from rich.progress import Progress  # noqa: PLC0415

            self._bars = Progress(console=Console(stderr=True))
            self._bars.start()
        return self

    def __exit__(self, *_: object) -> None:
        if self._bars:
            self._bars.stop()

    def __call__(self, what: str, done: int, total: int) -> None:
        if self._bars:
            if what not in self._tasks:
                self._tasks[what] = self._bars.add_task(what, total=total)
            self._bars.update(self._tasks[what], completed=done, total=total)
        elif done == total and not self._quiet:
            typer.echo(f"{what}: {done} done", err=True)


def tell(as_json: bool, kind: str, message: str, code: int) -> int:
    """Tell of a fault, on stdout for programs and on stderr for people; returns the exit code."""
    if as_json:
        record = {"error": {"kind": kind, "message": message, "exit_code": code}}
        typer.echo(json.dumps(record, indent=1, sort_keys=True))
    else:
        head = "the input is wrong:\n" if "\n" in message else ""
        typer.echo(f"girthstrip: {head}{message}", err=True)
    return code
