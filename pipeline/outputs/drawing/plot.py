"""A plot as a page shows it."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Plot:
    """One plot, ready to stand in a page."""

    title: str
    what_to_see: str
    found: str
    svg: str
