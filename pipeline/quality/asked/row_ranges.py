"""Which row of a table holds for a thickness: from over one bound up to and with the other."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Protocol, TypeVar


class Ranged(Protocol):
    """A row with a range of thickness."""

    @property
    def over_mm(self) -> float:
        """Its lower bound, which doesn't belong to it."""

    @property
    def up_to_mm(self) -> float | None:
        """Its upper bound, which does."""


AnyRow = TypeVar("AnyRow", bound=Ranged)


def in_range(rows: Iterable[AnyRow], thickness_mm: float) -> AnyRow | None:
    """The first row whose range holds the thickness."""
    return next((row for row in rows if within(thickness_mm, row.over_mm, row.up_to_mm)), None)


def uneven(rows: Sequence[Ranged]) -> int | None:
    """The first row that doesn't begin where the one before ends, or ends before it begins."""
    end: float | None = 0.0
    for number, row in enumerate(rows):
        if row.over_mm != end or (row.up_to_mm is not None and row.up_to_mm <= row.over_mm):
            return number
        end = row.up_to_mm
    return None


def within(value: float, over: float, up_to: float | None) -> bool:
    """Whether the value is over the one and up to, or with, the other bound."""
    return value > over and (up_to is None or value <= up_to)
