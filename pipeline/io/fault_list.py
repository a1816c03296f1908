"""Several faults as one message."""

from __future__ import annotations

from collections.abc import Sequence


def fault_list(lines: Sequence[str], most: int = 20) -> str:
    """The faults, a line each, cut after ``most`` with a count of the rest; one stands alone."""
    if len(lines) == 1:
        return lines[0]
    shown = [f"{len(lines)} faults", *lines[:most]]
    if len(lines) > most:
        shown.append(f"and {len(lines) - most} more")
    return "\n  ".join(shown)
