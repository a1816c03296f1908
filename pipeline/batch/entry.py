"""One weld of a plan: its strip's state, why, and what making it anew takes."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from pipeline.batch.source import Source


class State(StrEnum):
    """What is to be done with a weld's strip.

    ``reprocessed``: its new result stands beside it and waits for ``accept``. ``new``: a config
    whose result folder isn't there yet. ``blocked``: it is stale and can't be made anew, or nothing
    can be said. ``question``: a person has to tell something first.
    """

    CURRENT = "current"
    STALE = "stale"
    REPROCESSED = "reprocessed"
    NEW = "new"
    BLOCKED = "blocked"
    QUESTION = "question"


@dataclass(frozen=True, slots=True)
class Entry:
    """A weld in the plan. ``result`` is its folder's absolute path; ``calibration`` is the identity
    that it gets now, ``log_sha256`` its result's log and ``obsolete`` that of a new result beside
    it which is stale itself."""

    result: str
    weld: str
    source: Source
    state: State
    reasons: tuple[str, ...] = ()
    calibration: str = ""
    log_sha256: str = ""
    obsolete: str = ""
    raw_pixels: int = 0
    peak_bytes: int = 0
