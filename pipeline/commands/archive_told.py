"""What ``girthstrip archive`` says: a record for programs, lines for people."""

# ruff: noqa: PLC0415 - imported where it is needed, so that --help doesn't wait for it

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from pipeline.outputs.archive.bag_text import counted

if TYPE_CHECKING:
    from pathlib import Path

    from pipeline.outputs.archive.check import Checked
    from pipeline.outputs.archive.keep import Archived, Copy
    from pipeline.outputs.archive.restore import Compared
    from pipeline.outputs.archive.status import WeldStatus


def archived_record(done: Archived) -> dict[str, Any]:
    """What became of the copies of a weld, for programs."""
    return {
        "bag": done.name,
        "identity": done.identity,
        "archived": done.archived,
        "wanted": done.wanted,
        "proved": done.proved,
        "copies": [
            {
                "folder": str(copy.bag),
                "disk": copy.disk,
                "new": copy.new,
                "resumed": copy.resumed,
                "problem": copy.problem or None,
                "note": copy.note,
            }
            for copy in done.copies
        ],
    }


def archived_text(done: Archived) -> str:
    """The same for people."""
    lines = [f"bag         {done.name}"]
    for copy in done.copies:
        lines.append(f"{'FAILED' if copy.problem else 'proved':12}{copy.bag}: {_became(copy)}")
        if copy.note:
            lines.append(f"note        {copy.note}")
    verdict = "archived" if done.archived else "NOT ARCHIVED"
    disks = len({copy.disk for copy in done.copies if not copy.problem})
    proved = sum(not copy.problem for copy in done.copies)
    told = counted(proved, "copy", "copies")
    lines.append(f"{verdict}: {told} proved, on {counted(disks, 'disk')}; {done.wanted} wanted")
    return "\n".join(lines)


def _became(copy: Copy) -> str:
    if copy.problem:
        kept = "; what was written is kept, the same command goes on with it" if copy.kept else ""
        return copy.problem + kept
    if not copy.new:
        return "was there already, read in full"
    return "written and read back" + (", taken up where an earlier run ended" * copy.resumed)


def differing(found: list[Checked]) -> dict[str, tuple[str, ...]]:
    """Names under which sound copies of different content lie, and in what these differ."""
    from pipeline.outputs.archive.copies import differences

    copies: dict[str, list[tuple[Path, str]]] = {}
    for one in found:
        if one.sound:
            copies.setdefault(one.bag.resolve().name, []).append((one.bag, one.identity))
    told = {name: differences(copies[name]) for name in sorted(copies)}
    return {name: sentences for name, sentences in told.items() if sentences}


def checked_lines(checked: Checked, note: str) -> list[str]:
    """What was found of a bag, for people."""
    from pipeline.outputs.archive.check import FaultKind

    verdict = "sound" if checked.sound else "UNREAD" if checked.unread else "DAMAGED"
    if all(one.kind is FaultKind.NAME for one in checked.faults) and checked.faults:
        verdict = "RENAMED"
    if [(one.kind, one.path) for one in checked.faults] == [(FaultKind.MISSING, ".")]:
        return [f"{'GONE':12}{checked.bag}: {checked.faults[0].text}"]
    size = f"{counted(len(checked.found), 'file')}, {counted(checked.size, 'byte')}"
    lines = [f"{verdict:12}{checked.bag} ({size})"]
    lines += [f"  {fault.kind:10}  {fault}" for fault in checked.faults]
    return lines + ([f"note        {note}"] if note else [])


def checked_record(checked: Checked) -> dict[str, Any]:
    """The same for programs."""
    return {
        "folder": str(checked.bag),
        "identity": checked.identity,
        "sound": checked.sound,
        "files": len(checked.found),
        "bytes": checked.size,
        "faults": [
            {"kind": str(one.kind), "path": one.path, "text": one.text} for one in checked.faults
        ],
    }


def status_lines(weld: WeldStatus, wanted: int) -> list[str]:
    """Whether a weld is archived, for people."""
    verdict = "archived" if weld.archived(wanted) else "NOT YET"
    told = counted(weld.counting, "copy", "copies")
    counts = f"{told} {'counts' if weld.counting == 1 else 'count'}"
    lines = [f"{verdict:12}{weld.name}: {counts}, {wanted} wanted"]
    for copy in weld.copies:
        proved = f"read in full {copy.proved_at[:10]}" if copy.proved_at else "never read back"
        lines.append(f"  {copy.bag}: {copy.problem or proved}")
    sound = sum(not copy.problem for copy in weld.copies)
    if weld.counting < min(sound, wanted):
        lines.append("  copies on one disk count once; with --same-device each counts")
    return lines + [f"  {sentence}, though each is sound" for sentence in weld.differ]


def status_record(weld: WeldStatus, wanted: int) -> dict[str, Any]:
    """The same for programs."""
    return {
        "bag": weld.name,
        "result": None if weld.result is None else str(weld.result),
        "archived": weld.archived(wanted),
        "counting": weld.counting,
        "differ": bool(weld.differ),
        "differences": list(weld.differ),
        "copies": [
            {
                "folder": str(copy.bag),
                "disk": copy.disk,
                "proved_at": copy.proved_at or None,
                "problem": copy.problem or None,
            }
            for copy in weld.copies
        ],
    }


def compared_lines(found: Compared) -> list[str]:
    """How a strip made again compares with the one in its bag."""
    return [
        *(f"{'same' if same else 'DIFFERS':12}{name}" for name, same in found.same.items()),
        *(f"software    {sentence}" for sentence in found.software),
        *(f"log         {sentence}" for sentence in found.log),
    ]
