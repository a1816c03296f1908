"""Some raw frames of each weld, held against the pattern of the panel that they name."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from pipeline.calibration.product import CalibrationSet
from pipeline.errors import InputError
from pipeline.io.calibration_store import read_calibration
from pipeline.io.frames import find_scan
from pipeline.model import FloatImage, RawImage
from pipeline.outputs.audit.collect import Progress, Record, Unreadable
from pipeline.outputs.audit.finding import Finding
from pipeline.quality.evidence.panel_pattern import PatternMatch, match_pattern, panel_pattern


@dataclass(frozen=True, slots=True)
class _Panel:
    calibration: CalibrationSet
    pattern: FloatImage


@dataclass
class PanelCheck:
    """What came of it: findings, how many frames were looked at, and of which records none could
    be."""

    findings: list[Finding]
    problems: list[Unreadable]
    frames: int = 0
    not_examined: int = 0
    not_told: int = 0


def check_panels(records: Sequence[Record], *, frames_each: int, progress: Progress) -> PanelCheck:
    """Frames of each weld, evenly spread, against the panel of its calibration; what isn't that
    panel's is also held against the archive's other panels."""
    result = PanelCheck([], [])
    panels = _panels(records, result)
    for done, record in enumerate(records, start=1):
        before = result.frames
        result.findings += _of_record(record, panels, frames_each, result)
        result.not_examined += result.frames == before
        progress("looking at raw frames", done, len(records))
    return result


def _panels(records: Sequence[Record], result: PanelCheck) -> dict[str, _Panel]:
    """The panels of the calibrations at hand, by the calibrations' identities."""
    panels: dict[str, _Panel] = {}
    seen: set[Path] = set()
    for record in records:
        folder = record.job.calibration.folder if record.job else None
        if folder is None or folder in seen or not folder.is_dir():
            continue
        seen.add(folder)
        try:
            calibration = read_calibration(folder)
        except InputError as error:
            result.problems.append(Unreadable(record.folder, str(error)))
            continue
        panels.setdefault(
            calibration.identity, _Panel(calibration, panel_pattern(calibration.gain))
        )
    return panels


def _of_record(
    record: Record, panels: dict[str, _Panel], frames_each: int, result: PanelCheck
) -> Iterator[Finding]:
    panel = panels.get(record.calibration)
    if panel is None or record.job is None or not record.job.frames.table_path.is_file():
        return
    try:
        scan = find_scan(record.job.frames, record.job.panel)
    except InputError as error:
        result.problems.append(Unreadable(record.folder, str(error)))
        return
    sound = [row for row in scan.rows if row.index not in scan.problems]
    if scan.shape != panel.calibration.gain.shape or not sound:
        return
    spread = np.linspace(0, len(sound) - 1, min(frames_each, len(sound)))
    raw = np.empty(scan.shape, dtype=np.uint16)
    for row in [sound[int(k)] for k in np.rint(spread)]:
        try:
            scan.read(row.index, raw)
        except InputError as error:
            result.problems.append(Unreadable(record.folder, str(error)))
            continue
        result.frames += 1
        match = _match(raw, panel, record)
        if not match.told:
            result.not_told += 1
        elif not match.belongs:
            yield _finding(record, row.file, raw, match, panels)


def _match(raw: RawImage, panel: _Panel, record: Record) -> PatternMatch:
    assert record.job is not None
    return match_pattern(
        raw,
        panel.calibration.dark,
        panel.pattern,
        panel.calibration.classes,
        saturation_gv=record.job.panel.saturation_gv,
    )


def _finding(
    record: Record,
    file: str,
    raw: RawImage,
    match: PatternMatch,
    panels: dict[str, _Panel],
) -> Finding:
    others = [
        (other.calibration.facts.serial, found)
        for other in panels.values()
        if other.calibration.gain.shape == raw.shape
        and other.calibration.facts.serial != record.serial
        and (found := _match(raw, other, record)).belongs
    ]
    best = max(others, key=lambda one: one[1].correlation, default=None)
    what = f"{file} doesn't show the pixel pattern of panel {record.serial}"
    figures: dict[str, object] = {
        "correlation": match.correlation,
        "standard_errors": match.sigmas,
        "frame": file,
    }
    if best is not None:
        what += f", but that of panel {best[0]}"
        figures |= {"other_panel": best[0], "other_correlation": best[1].correlation}
    return Finding("foreign_panel", (record.weld,), (record.folder,), what, figures)
