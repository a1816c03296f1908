"""Places on the strip, in millimetres, as points of a part's image."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from pipeline.outputs.dicom.parts import Part
from pipeline.quality.log import StripFacts

Points = list[tuple[float, float]]
"""Column and row of each; 0, 0 is the upper left corner of the upper left pixel (PS3.3 C.10.5)."""


@dataclass(frozen=True, slots=True)
class PartPlaces:
    """From millimetres on the outer surface to the points of one part's image."""

    strip: StripFacts
    part: Part

    @property
    def rows(self) -> int:
        """How many the image has."""
        return self.strip.rows

    def row(self, z_mm: float) -> float:
        """Where a place along the pipe lies, no further than the image's edge."""
        found = (z_mm - self.strip.z_first_mm) / self.strip.pitch_mm + 0.5
        return min(max(found, 0.0), float(self.rows))

    def lines(self, s_mm: float) -> Iterator[float]:
        """Every column at which a place along the weld is seen; a ring shows some twice."""
        for turn in self._turns():
            found = self._column(s_mm + turn)
            if 0 <= found <= self.part.columns:
                yield found

    def spans(self, from_mm: float, to_mm: float) -> Iterator[tuple[float, float]]:
        """Every stretch of columns at which a stretch along the weld is seen, within the image.

        On a ring ``to_mm`` less than ``from_mm`` means across the datum.
        """
        if self.strip.ring and to_mm < from_mm:
            to_mm += self.strip.circumference_mm
        for turn in self._turns():
            start = max(self._column(from_mm + turn), 0.0)
            stop = min(self._column(to_mm + turn), float(self.part.columns))
            if start < stop:
                yield start, stop

    def boxes(
        self, from_mm: float, to_mm: float, z_first_mm: float, z_last_mm: float
    ) -> Iterator[Points]:
        """The closed outlines of a box; one that the image's edge cuts ends there."""
        top, bottom = self.row(z_first_mm), self.row(z_last_mm)
        for start, stop in self.spans(from_mm, to_mm):
            yield [(start, top), (stop, top), (stop, bottom), (start, bottom), (start, top)]

    def _column(self, s_mm: float) -> float:
        return (s_mm - self.strip.s_first_mm) / self.strip.pitch_mm + 0.5 - self.part.first

    def _turns(self) -> tuple[float, ...]:
        turn_mm = self.strip.circumference_mm
        return (-turn_mm, 0.0, turn_mm) if self.strip.ring else (0.0,)
