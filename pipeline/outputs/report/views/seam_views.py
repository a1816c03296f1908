"""The seams as a page shows them: each with its figures, and as a small picture."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from pipeline.outputs.drawing.words import clock_position, number
from pipeline.outputs.report.views.pictures import Picture, ShownStrip, cut_picture
from pipeline.outputs.report.views.places import all_places, strip_ends_mm
from pipeline.quality.log import QualityLog, Seam

SEAM_MM = 10.0
"""How far a seam's picture reaches to both sides."""
MOST_PICTURES = 80
"""More seams than that would make the page large: those whose frames disagree most are shown."""

_JPEG_QUALITY = 85


@dataclass(frozen=True, slots=True)
class SeamRow:
    """A seam as the table shows it, and what of it is beyond its limit."""

    seam: Seam
    step_percent: float | None
    step_over: bool
    doubling_over: bool
    disagreement_over: bool

    @property
    def over(self) -> bool:
        """Whether any of it is."""
        return self.step_over or self.doubling_over or self.disagreement_over


@dataclass(frozen=True, slots=True)
class SeamPicture:
    """A seam's picture, where in it the seam lies in per cent of its width, and where it is."""

    row: SeamRow
    picture: Picture
    percent: float
    where: str


def seam_rows(log: QualityLog) -> list[SeamRow]:
    """All seams, in the log's order."""
    step_limit, doubling_limit = log.limit_of("seam.level_step"), log.limit_of("seam.doubling")
    disagreement_limit = log.limit_of("seam.disagreement")
    return [
        SeamRow(
            seam,
            None if seam.level_step is None else 100 * seam.level_step,
            _beyond(seam.level_step, step_limit),
            _beyond(seam.doubling, doubling_limit),
            _beyond(seam.disagreement, disagreement_limit),
        )
        for seam in log.seams
    ]


def seam_pictures(
    log: QualityLog, shown: ShownStrip, rows: Sequence[SeamRow]
) -> tuple[SeamPicture, ...]:
    """The seams' pictures in order: ``SEAM_MM`` to both sides, and the middle half of the strip's
    rows, which holds the weld. Those that the strip doesn't show are left out."""
    worst = sorted(rows, key=_disagreement, reverse=True)[:MOST_PICTURES]
    chosen = {id(row) for row in worst}
    return tuple(
        _picture(log, shown, row, place)
        for row in rows
        if id(row) in chosen and (place := _roomiest(log, row.seam.s_mm)) is not None
    )


def _roomiest(log: QualityLog, s_mm: float) -> float | None:
    """That place of the strip which shows most of what lies at both sides."""
    start_mm, end_mm = strip_ends_mm(log)
    places = all_places(log, s_mm)
    return max(places, key=lambda s: min(s - start_mm, end_mm - s), default=None)


def _picture(log: QualityLog, shown: ShownStrip, row: SeamRow, place: float) -> SeamPicture:
    strip = log.strip
    middle = (place - strip.s_first_mm) / strip.pitch_mm
    half = SEAM_MM / strip.pitch_mm
    start, stop = max(0, round(middle - half)), min(strip.columns, round(middle + half) + 1)
    height = shown.gray.shape[0]
    picture = cut_picture(
        shown,
        start,
        stop,
        slice(height // 4, height - height // 4),
        pitch_mm=strip.pitch_mm,
        s_first_mm=strip.s_first_mm,
        jpeg_quality=_JPEG_QUALITY,
    )
    clock = clock_position(
        row.seam.s_mm, strip.circumference_mm, clockwise=strip.direction == "clockwise"
    )
    percent = 100 * (place - picture.from_mm) / (picture.to_mm - picture.from_mm)
    where = f"{number(row.seam.s_mm, 0)} mm, {clock}"
    return SeamPicture(row, picture, round(percent, 2), where)


def _disagreement(row: SeamRow) -> tuple[bool, float]:
    return row.over, max(row.seam.disagreement or 0.0, row.seam.doubling or 0.0)


def _beyond(value: float | None, limit: float | None) -> bool:
    return value is not None and limit is not None and abs(value) > limit
