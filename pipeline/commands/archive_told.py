"""What ``girthstrip archive`` says: a record for programs, lines for people."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
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
    where = "each on its own disk" if disks >= done.proved else f"on {disks} disk"
    lines.append(f"{verdict}: {done.proved} of {done.wanted} copies proved, {where}")
    return "\n".join(lines)


def _became(copy: Copy) -> str:
    if copy.problem:
        kept = "; what was written is kept, the same command goes on with it" if copy.new else ""
        return copy.problem + kept
    if not copy.new:
        return "was there already, read in full"
    return "written and read back" + (", taken up where an earlier run ended" * copy.resumed)


def differing(found: list[Checked]) -> list[str]:
    """Names under which sound copies of different content lie."""
    identities: dict[str, set[str]] = {}
    for one in found:
        if one.sound:
            identities.setdefault(one.bag.resolve().name, set()).add(one.identity)
    return sorted(name for name, known in identities.items() if len(known) > 1)


def checked_lines(checked: Checked, note: str) -> list[str]:
    """What was found of a bag, for people."""
    verdict = "sound" if checked.sound else "DAMAGED"
    lines = [f"{verdict:12}{checked.bag} ({len(checked.found)} files, {checked.size} bytes)"]
    lines += [f"  {fault.kind:10}{fault}" for fault in checked.faults]
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
    lines = [f"{verdict:12}{weld.name}: {weld.counting} of {wanted} copies"]
    for copy in weld.copies:
        proved = f"read in full {copy.proved_at[:10]}" if copy.proved_at else "never read back"
        lines.append(f"  {copy.bag}: {copy.problem or proved}")
    if weld.differ:
        lines.append("  the copies differ, though each is sound")
    return lines


def status_record(weld: WeldStatus, wanted: int) -> dict[str, Any]:
    """The same for programs."""
    return {
        "bag": weld.name,
        "result": None if weld.result is None else str(weld.result),
        "archived": weld.archived(wanted),
        "counting": weld.counting,
        "differ": weld.differ,
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
