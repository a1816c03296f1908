"""An archive looked through for what needs a question: all checks, one after the other."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from pipeline.outputs.audit.collect import (
    Progress,
    Record,
    Unreadable,
    collect,
    find_results,
    shot_of,
)
from pipeline.outputs.audit.finding import QUESTIONS, Finding
from pipeline.outputs.audit.likeness import same_frames, same_welds, two_scans
from pipeline.outputs.audit.logs import check_logs, check_strips
from pipeline.outputs.audit.panels import PanelCheck, check_panels
from pipeline.quality.evidence.schedule import Limits, find_oddities

SCHEMA = "girthstrip.audit/1"
NOTHING = "nothing here needs a question, as far as this can be told from records"


@dataclass(frozen=True, slots=True)
class Audit:
    """What was looked at, and what needs a question, by kind."""

    root: str
    folders: int
    welds: int
    with_fingerprint: int
    with_times: int
    frames_examined: int
    frames_not_told: int
    frames_not_at_hand: int
    findings: tuple[Finding, ...]

    def as_dict(self) -> Mapping[str, Any]:
        """For programs."""
        return {
            "schema": SCHEMA,
            "root": self.root,
            "looked_at": dict(self.looked_at()),
            "count": dict(sorted(Counter(one.kind for one in self.findings).items())),
            "findings": [one.as_dict() for one in self.findings],
        }

    def looked_at(self) -> Mapping[str, int]:
        """How much was looked at, so that nothing that wasn't passes for sound."""
        return {
            "result_folders": self.folders,
            "welds": self.welds,
            "strips_compared": self.with_fingerprint,
            "welds_with_times": self.with_times,
            "raw_frames_against_their_panel": self.frames_examined,
            "raw_frames_that_tell_nothing": self.frames_not_told,
            "folders_without_frames_or_calibration_at_hand": self.frames_not_at_hand,
        }

    def text(self) -> str:
        """For people."""
        words = [f"{name.replace('_', ' ')}: {count}" for name, count in self.looked_at().items()]
        lines = [f"looked at   {', '.join(words)}"]
        for finding in self.findings:
            lines += ["", finding.title, finding.text()]
        if not self.findings:
            lines.append(NOTHING)
        else:
            lines += [
                "",
                "these are questions, no accusations: clocks are wrong, folders are copied",
            ]
        return "\n".join(lines)


def audit(
    root: Path,
    *,
    frames_each: int = 3,
    strips: bool = False,
    limits: Limits | None = None,
    threads: int = 1,
    progress: Progress,
) -> Audit:
    """Look through every result folder below ``root``; nothing is changed.

    ``frames_each`` raw frames of a weld are held against their panel; ``strips`` has every strip
    read in full and compared with its quality log and the audit log.

    Raises:
        InputError: there is no such folder, or no result in it.
    """
    folders = find_results(root)
    records, problems = collect(root, folders, threads=threads, progress=progress)
    shots = [shot for number, record in enumerate(records) if (shot := shot_of(record, number))]
    progress("comparing strips", 0, 1)
    likeness = [*same_frames(records), *same_welds(records, threads=threads), *two_scans(records)]
    progress("comparing strips", 1, 1)
    panels = PanelCheck([], [])
    if frames_each:
        panels = check_panels(records, frames_each=frames_each, progress=progress)
    found = [
        *likeness,
        *panels.findings,
        *_names(records),
        *(check_strips(records) if strips else ()),
        *check_logs(root, records, strips=strips),
        *_oddities(records, shots, limits or Limits()),
        *(
            Finding("unreadable", ("?",), (one.folder,), one.what)
            for one in _once([*problems, *panels.problems])
        ),
    ]
    order = {kind: place for place, kind in enumerate(QUESTIONS)}
    return Audit(
        root=str(root),
        folders=len(folders),
        welds=len({record.weld for record in records}),
        with_fingerprint=sum(record.prints is not None for record in records),
        with_times=len(shots),
        frames_examined=panels.frames,
        frames_not_told=panels.not_told,
        frames_not_at_hand=panels.not_examined,
        findings=tuple(sorted(found, key=lambda one: order[one.kind])),
    )


def _once(problems: Sequence[Unreadable]) -> Sequence[Unreadable]:
    return list(dict.fromkeys(problems))


def _names(records: Sequence[Record]) -> list[Finding]:
    """Strips that name another weld than the quality log beside them."""
    return [
        Finding(
            "other_name_inside",
            (record.weld, record.name_in_strip),
            (record.folder,),
            f"strip.tif says it is weld {record.name_in_strip}",
        )
        for record in records
        if record.name_in_strip != record.weld_id
    ]


def _oddities(records: Sequence[Record], shots: Sequence[Any], limits: Limits) -> list[Finding]:
    """Times, places and rates that can't be; of one weld processed twice only one record counts."""
    first: dict[tuple[str, Any, Any], int] = {}
    alone = []
    for shot in shots:
        same = records[shot.number].weld, shot.begin, shot.end
        if first.setdefault(same, shot.number) == shot.number:
            alone.append(shot)
    found = []
    for oddity in find_oddities(alone, datetime.now(UTC), limits):
        concerned = [records[number] for number in oddity.numbers]
        found.append(
            Finding(
                oddity.kind,
                tuple(dict.fromkeys(record.weld for record in concerned)),
                tuple(record.folder for record in concerned),
                oddity.what,
                oddity.figures,
            )
        )
    return found
