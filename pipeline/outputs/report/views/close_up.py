"""A place of the strip as a close-up: pixel by pixel, in a gray window of its own, with scales."""

from __future__ import annotations

from dataclasses import dataclass

from pipeline.model import FlagImage, RawImage
from pipeline.outputs.report.views.pictures import Window, detail_picture
from pipeline.outputs.report.views.places import all_places, strip_ends_mm
from pipeline.outputs.report.views.ruler import Mark, millimetre_marks
from pipeline.quality.log import QualityLog

_MARKS = 7  # along the strip; as many of its length across
_FEWER = 5, 1000.0  # from so many millimetres on: their labels are longer


@dataclass(frozen=True, slots=True)
class CloseUp:
    """The picture as a data URI, its size in pixels, its window, marks at its two sides, and where
    its outer edges lie: left and right from the datum, upper and lower along the pipe."""

    uri: str
    width_px: int
    height_px: int
    window: Window
    millimetres: tuple[Mark, ...]
    axial: tuple[Mark, ...]
    across_mm: tuple[float, float]
    along_mm: tuple[float, float]


def close_up(
    log: QualityLog,
    strip: RawImage,
    origin: FlagImage,
    *,
    s_mm: float,
    z_mm: float,
    half_s_mm: float,
    half_z_mm: float,
) -> CloseUp | None:
    """What the strip shows within so much of a place, cut at the strip's edges; None where it
    shows nothing of that. Round a ring, where there is most of it."""
    facts = log.strip
    pitch_mm = facts.pitch_mm
    shown = all_places(log, s_mm) or [s_mm]
    start_mm, end_mm = strip_ends_mm(log)
    at_mm = max(shown, key=lambda place: min(place - start_mm, end_mm - place, half_s_mm))
    columns = _pixels(at_mm - facts.s_first_mm, half_s_mm, pitch_mm, facts.columns)
    rows = _pixels(z_mm - facts.z_first_mm, half_z_mm, pitch_mm, facts.rows)
    if columns.start >= columns.stop or rows.start >= rows.stop:
        return None
    marks = _FEWER[0] if at_mm + half_s_mm >= _FEWER[1] else _MARKS
    marks_along = max(2, round(_MARKS * (rows.stop - rows.start) / (columns.stop - columns.start)))
    uri, window = detail_picture(strip, origin, columns, rows)
    return CloseUp(
        uri,
        columns.stop - columns.start,
        rows.stop - rows.start,
        window,
        millimetre_marks(facts.s_first_mm, columns, pitch_mm, marks),
        millimetre_marks(facts.z_first_mm, rows, pitch_mm, marks_along, sign=True),
        _edges_mm(facts.s_first_mm, columns, pitch_mm),
        _edges_mm(facts.z_first_mm, rows, pitch_mm),
    )


def _pixels(middle_mm: float, half_mm: float, pitch_mm: float, count: int) -> slice:
    """Pixels within ``half_mm`` of a place that is counted from the first pixel's middle."""
    first, last = ((middle_mm + side * half_mm) / pitch_mm for side in (-1, 1))
    return slice(max(0, round(first)), min(count, round(last) + 1))


def _edges_mm(first_mm: float, pixels: slice, pitch_mm: float) -> tuple[float, float]:
    return (
        first_mm + (pixels.start - 0.5) * pitch_mm,
        first_mm + (pixels.stop - 0.5) * pitch_mm,
    )
