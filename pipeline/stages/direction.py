"""Whether the frames run the way that their positions say: told by overlaps that don't match."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from pipeline.errors import FrameError
from pipeline.stages.matching import Link

_TRIES = 8  # overlaps looked at the other way round: enough to tell, and soon done
_LEAST = 2


@dataclass(slots=True)
class Votes:
    """How many frames match the one before as their positions say, and how many the other way."""

    forwards: int = 0
    backwards: int = 0
    tries: int = 0

    def in_doubt(self, links: Sequence[Link]) -> bool:
        """Whether the nearest of a frame's ``links`` with earlier ones should be looked at the
        other way round: where they plainly differ, and not too often. Counts those that match."""
        if any(len(link.ties) for link in links):
            self.forwards += 1
            return False
        return bool(links) and links[0].differs and self.tries < _TRIES

    def add(self, *, backwards: bool) -> None:
        """Add a vote of a frame in doubt."""
        self.tries += 1
        self.backwards += backwards

    def require_forwards(self) -> None:
        """Refuse a scan that runs against its positions.

        Raises:
            FrameError: more frames match the other way, and at least two.
        """
        if self.backwards < _LEAST or self.backwards <= self.forwards:
            return
        raise FrameError(
            f"the frames run against position_mm: {self.backwards} of {self.tries} overlaps looked "
            "at show the same metal only if the carriage went the other way, "
            f"{self.forwards} as the frame table says",
            expected="position_mm growing in the direction in which the panel's columns run",
            remedy="If the encoder counts against the panel's columns, set flip_columns = true in "
            "the weld's and in the calibration's config; if the table was turned round, correct it",
        )
