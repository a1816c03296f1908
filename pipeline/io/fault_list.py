"""Several faults as one message."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from pipeline.errors import GirthstripError

_NAMES_SHOWN = 3


def fault_list(lines: Sequence[str], most: int = 20) -> str:
    """The faults, a line each, cut after ``most`` with a count of the rest; one stands alone."""
    if len(lines) == 1:
        return lines[0]
    shown = [f"{len(lines)} faults", *lines[:most]]
    if len(lines) > most:
        shown.append(f"and {len(lines) - most} more")
    return "\n  ".join(shown)


def told_together(errors: Iterable[GirthstripError]) -> list[str]:
    """The errors' messages; those that differ only in where they are become one line.

    One cause, such as a wrong panel size, then doesn't fill the screen. The lines come in the
    order of their first errors.
    """
    places: dict[str, list[str]] = {}
    for error in errors:
        where = f"{error.where}: " if error.where else ""
        places.setdefault(str(error).removeprefix(where), []).append(error.where)
    return [f"{_named(names)}{what}" for what, names in places.items()]


def _named(names: Sequence[str]) -> str:
    """``a: `` for one, else the first few and how many more, ``each: ``."""
    if len(names) == 1:
        return f"{names[0]}: " if names[0] else ""
    shown = "; ".join(names[:_NAMES_SHOWN])
    more = f" and {len(names) - _NAMES_SHOWN} more" if len(names) > _NAMES_SHOWN else ""
    return f"{shown}{more}, each: "
