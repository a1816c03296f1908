"""What the commands show: results on stdout, progress and faults on stderr."""

from __future__ import annotations

import json
import os
import sys
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from typing import TYPE_CHECKING, Any

import typer

from pipeline.errors import OutputError

if TYPE_CHECKING:
    from rich.progress import Progress, TaskID

    from pipeline.quality.check import Check
    from pipeline.quality.log import FrameRecord, QualityLog
    from pipeline.run import RunResult

CAUTION = (
    "Ionising radiation harms: this tool never controls radiation and never accepts or rejects a "
    "weld; qualified persons, the written procedure and local rules do."
)


def show(as_json: bool, record: Mapping[str, Any], text: str) -> None:
    """A result on stdout: the record for programs, or the text for people.

    Raises:
        OutputError: stdout takes nothing more; a reader that has gone away is no fault.
    """
    try:
        typer.echo(json.dumps(record, indent=1, sort_keys=True) if as_json else text)
        sys.stdout.flush()
    except OSError as error:
        sys.stdout = open(os.devnull, "w", encoding="utf-8")  # noqa: SIM115, PTH123 - to the end
        if isinstance(error, BrokenPipeError):
            return
        raise OutputError(
            f"can't be written ({error.strerror}); the result itself is complete",
            where="standard output",
            remedy="Look into the folder of the result, or print to another place",
        ) from error


_STEPS: Mapping[str, str] = {
    "frames": "simulating frames",
    "dark frames": "simulating dark frames",
    "flat frames": "simulating flat frames",
    "truth": "writing down the truth",
    "fingerprints of the exposures": "calibrating, fingerprints of the exposures",
    "reading exposures": "calibrating, reading the exposures",
    "survey": "stitching, which frames belong (survey)",
    "registration": "stitching, where each was taken (registration)",
    "blending": "stitching, all onto the strip (blending)",
    "measures": "stitching, measuring image quality",
}
"""What the runs call their steps → what people read, who can't know which run it belongs to."""

_FRAMES_A_REASON = 5
_DONT_FIT = (
    "most frames don't fit together where the table puts them. If the encoder counts against the "
    "panel's columns, flip_columns in [panel] (and in the calibration's config) mends it; look "
    "also at pitch_mm, flip_rows, diameter_mm, standoff_mm and the unit of position_mm"
)


def show_strip(result: RunResult, as_json: bool, replaced: Sequence[str] = ()) -> None:
    """What became of a weld: where to look, what was left out, the verdict and what bears on it.

    ``replaced`` are values of the config that a job sheet replaced, as sentences.
    """
    from pipeline.quality.outcome_words import ABOUT  # noqa: PLC0415 - numpy, not for --help

    log, folder = result.log, result.folder
    judged = [check for check in log.checks if check.verdict != "pass"]
    left_out = [frame for frame in log.frames if not frame.used]
    lines = [
        *(f"job sheet   {sentence}" for sentence in replaced),
        f"strip       {folder / 'strip.tif'} ({log.strip.columns} × {log.strip.rows} pixels)",
        f"report      {folder / 'quality.html'}",
        f"calibration {log.calibration.identity[:12]}. {result.why_calibration}",
        f"frames      {len(log.frames) - len(left_out)} of {len(log.frames)} used",
        *(f"  left out  {line}" for line in _by_reason(left_out)),
        *(f"note        {remark}" for remark in log.remarks),
        f"verdict     {log.verdict}: {ABOUT}",
        *(f"  {check.verdict:9} {check.id}: {_told(check)}" for check in judged),
        *([f"hint        {_DONT_FIT}"] if _most_dont_fit(log) else []),
        CAUTION,
    ]
    record = {
        "folder": str(folder),
        "report": str(folder / "quality.html"),
        "calibration": result.why_calibration,
        "verdict": str(log.verdict),
        "checks": {check.id: str(check.verdict) for check in log.checks},
        "frames": {"used": len(log.frames) - len(left_out), "left_out": len(left_out)},
        "remarks": list(log.remarks),
        "from_job_sheet": list(replaced),
        "seconds": dict(result.seconds),
    }
    show(as_json, record, "\n".join(lines))


def _by_reason(left_out: Sequence[FrameRecord]) -> Iterator[str]:
    """A line a frame, but only the first few of those left out for the same reason."""
    count: Counter[str] = Counter()
    for frame in left_out:
        reason = frame.why_not.partition(":")[0]
        count[reason] += 1
        if count[reason] <= _FRAMES_A_REASON:
            yield f"{frame.file}: {frame.why_not}"
    for reason, frames in count.items():
        if frames > _FRAMES_A_REASON:
            yield f"and {frames - _FRAMES_A_REASON} more: {reason} (all are in positions.csv)"


def _most_dont_fit(log: QualityLog) -> bool:
    """Whether more than half of the frames are in a wrong place or tied to no other."""
    wrong = sum(frame.why_not.startswith("wrong_place") for frame in log.frames)
    used = sum(frame.used for frame in log.frames)
    checks = {check.id: check for check in log.checks}
    unlinked = checks.get("registration.unlinked_frames")
    return 2 * (wrong + (unlinked.value or 0 if unlinked else 0)) > wrong + used


def _told(check: Check) -> str:
    unit = check.unit.removesuffix("s") if check.value == 1 and len(check.unit) > 1 else check.unit
    value = "not measured" if check.value is None else f"{check.value:.6g} {unit}".strip()
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
                self._tasks[what] = self._bars.add_task(_STEPS.get(what, what), total=total)
            self._bars.update(self._tasks[what], completed=done, total=total)
        elif done == total and not self._quiet:
            typer.echo(f"{_STEPS.get(what, what)}: {done} done", err=True)


def tell(as_json: bool, kind: str, message: str, code: int) -> int:
    """Tell of a fault, on stdout for programs and on stderr for people; returns the exit code."""
    if as_json:
        record = {"error": {"kind": kind, "message": message, "exit_code": code}}
        typer.echo(json.dumps(record, indent=1, sort_keys=True))
    else:
        head = "the input is wrong:\n" if "\n" in message else ""
        typer.echo(f"girthstrip: {head}{message}", err=True)
    return code
