"""How exactly a strip tells where something lies: places, lengths, clock positions, seams."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np

from pipeline.model import FloatArray
from pipeline.quality.log import QualityLog
from pipeline.quality.noted.indication import Figure

RULER_CHECK = "geometry.ruler_sigma_mm"


def _no_frames() -> FloatArray:
    return np.zeros(0)


@dataclass(frozen=True, slots=True)
class StripPlaces:
    """A strip's ruler; a picture without a log has only its pixels.

    ``ruler_sigma_mm`` is what the log tells of a place's distance from its frame's position.
    ``position_mm`` and ``position_sigma_mm`` (n,) are the used frames', ``seams_mm`` where the
    leading frame changes. ``ring`` says that places repeat after ``circumference_mm``, which may be
    None for a picture of nobody knows what pipe.
    """

    pitch_mm: float
    circumference_mm: float | None
    ring: bool
    clockwise: bool
    ruler_sigma_mm: float = 0.0
    position_mm: FloatArray = field(default_factory=_no_frames)
    position_sigma_mm: FloatArray = field(default_factory=_no_frames)
    seams_mm: tuple[float, ...] = ()

    @classmethod
    def of(cls, log: QualityLog) -> StripPlaces:
        """The ruler of a strip from its quality log."""
        used = [frame for frame in log.frames if frame.used]
        told = next((check.value for check in log.checks if check.id == RULER_CHECK), None)
        return cls(
            log.strip.pitch_mm,
            log.strip.circumference_mm,
            log.strip.ring,
            log.strip.direction == "clockwise",
            0.0 if told is None else float(told),
            np.array([frame.position_mm for frame in used], dtype=np.float64),
            np.array([frame.sigma_mm for frame in used], dtype=np.float64),
            tuple(seam.s_mm for seam in log.seams),
        )

    @property
    def turn_mm(self) -> float | None:
        """After which places repeat; None where they don't."""
        return self.circumference_mm if self.ring else None

    @property
    def edge_sigma_mm(self) -> float:
        """An edge lies anywhere in its pixel."""
        return self.pitch_mm / math.sqrt(12)

    def first_turn(self, s_mm: float) -> float:
        """The place on a ring's first turn; on an arc the place itself."""
        turn_mm = self.turn_mm
        return s_mm if turn_mm is None else s_mm % turn_mm

    def place(self, s_mm: float) -> Figure:
        """A place on the first turn; its deviation is the ruler's, the nearest frame's position's
        (relative to the first frame) and the pixel's."""
        frame = 0.0
        if self.position_mm.size:
            away = np.abs([self.way(s_mm, float(position)) for position in self.position_mm])
            frame = float(self.position_sigma_mm[int(np.argmin(away))])
        sigma = math.hypot(self.ruler_sigma_mm, frame, self.edge_sigma_mm)
        return Figure(self.first_turn(s_mm), sigma)

    def length(self, length_mm: float) -> Figure:
        """A length along the strip. Within a frame the ruler's deviation grows about straight from
        the frame's position, so near places share most of it; of two frames they are independent.
        """
        half_mm = self._usual_frame_mm() / 2
        shared = min(math.sqrt(2), length_mm / half_mm) if half_mm > 0 else math.sqrt(2)
        pixel = math.sqrt(2) * self.edge_sigma_mm
        return Figure(length_mm, math.hypot(shared * self.ruler_sigma_mm, pixel))

    def clock_h(self, s_mm: float) -> float | None:
        """The clock position in hours, 0 (that is 12) at the datum, below 12."""
        if self.circumference_mm is None:
            return None
        turn = (s_mm if self.clockwise else -s_mm) / self.circumference_mm
        return 12.0 * (turn % 1.0) % 12.0

    def nearest_seam(self, first_mm: float, length_mm: float) -> tuple[int, float] | None:
        """The seam nearest to a stretch, counted from 1, and how far it is from its nearer end; 0
        if it's in it."""
        if not self.seams_mm:
            return None
        middle = first_mm + length_mm / 2
        away = [max(abs(self.way(middle, s)) - length_mm / 2, 0.0) for s in self.seams_mm]
        nearest = int(np.argmin(away))
        return nearest + 1, away[nearest]

    def way(self, from_mm: float, to_mm: float) -> float:
        """From one place to the other the short way round."""
        way = to_mm - from_mm
        turn_mm = self.turn_mm
        return way if turn_mm is None else math.remainder(way, turn_mm)

    def _usual_frame_mm(self) -> float:
        """How much of the strip one frame leads, usually; 0 where seams don't tell."""
        if len(self.seams_mm) < 2:
            return 0.0
        return float(np.median(np.diff(np.sort(self.seams_mm))))
