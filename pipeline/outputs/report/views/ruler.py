"""Scales beside the strip's pictures: where marks stand, in percent of the picture."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from pipeline.outputs.drawing.words import clock_position, number
from pipeline.outputs.report.views.marked_places import (
    Box,
    boxes_in,
    indicated_places,
    suggested_places,
)
from pipeline.outputs.report.views.pictures import Picture
from pipeline.outputs.report.views.places import all_places, shown_gaps, strip_ends_mm
from pipeline.quality.log import QualityLog, StripFacts

_MM_STEP = 10.0
_MM_LABEL_EVERY = 20.0
_CLOCK_STEPS_MIN = (5, 10, 15, 30, 60, 120, 180)
_CLOCK_SPACING_MM = 20.0  # closer labels would run into each other on a tablet
_SEAM_GAP_MM = 2.5  # the same; seams that lie closer keep their tick without a label
_SEAM_DIGIT_MM = 1.5  # width of a digit in the picture's millimetres


@dataclass(frozen=True, slots=True)
class Mark:
    """A mark at ``percent`` of a picture's width or height; an empty label is a bare tick."""

    percent: float
    label: str
    strong: bool = False


@dataclass(frozen=True, slots=True)
class Section:
    """One picture of the strip with its scales; ``width_percent`` of the widest picture."""

    picture: Picture
    width_percent: float
    millimetres: tuple[Mark, ...]
    clock: tuple[Mark, ...]
    axial: tuple[Mark, ...]
    seams: tuple[Mark, ...]
    gaps: tuple[str, ...]
    description: str
    boxes: tuple[Box, ...] = ()


def sections(log: QualityLog, pictures: Sequence[Picture]) -> tuple[Section, ...]:
    """The pictures of a strip with millimetre, clock and axial scales, seams and gaps."""
    # A very short strip isn't blown up beyond what a picture of 100 mm would be.
    full_mm = max(100.0, *(picture.to_mm - picture.from_mm for picture in pictures))
    return tuple(_section(log, picture, full_mm) for picture in pictures)


def _section(log: QualityLog, picture: Picture, full_mm: float) -> Section:
    strip = log.strip
    start, stop = picture.from_mm, picture.to_mm
    end = min(stop, strip_ends_mm(log)[1])
    first = max(start, strip.s_first_mm)
    top = strip.z_first_mm - 0.5 * strip.pitch_mm

    def percent(s_mm: float) -> float:
        return round(100 * (s_mm - start) / (stop - start), 3)

    def clock(s_mm: float) -> str:
        return clock_position(
            s_mm, strip.circumference_mm, clockwise=strip.direction == "clockwise"
        )

    minutes = _clock_step_min(strip.circumference_mm)
    tick_mm = strip.circumference_mm * minutes / 720
    return Section(
        picture=picture,
        width_percent=round(100 * (stop - start) / full_mm, 3),
        millimetres=tuple(
            Mark(percent(s), number(s, 0) if s % _MM_LABEL_EVERY == 0 else "")
            for s in _multiples(_MM_STEP, start, end)
        ),
        clock=tuple(Mark(percent(s), clock(s)) for s in _multiples(tick_mm, start, end)),
        axial=_axial_marks(strip),
        seams=tuple(Mark(percent(s), label) for s, label in _seam_labels(log) if start <= s < end),
        gaps=tuple(
            f"not covered from {number(gap.from_mm, 1)} to {number(gap.to_mm, 1)} mm"
            for gap in shown_gaps(log)
            if gap.from_mm < end and gap.to_mm > start
        ),
        description=f"{number(first, 0)} to {number(end, 0)} mm, "
        f"clock {clock(first)} to {clock(end)}",
        boxes=boxes_in(
            log,
            (*suggested_places(log), *indicated_places(log)),
            across_mm=(start, stop),
            along_mm=(top, top + strip.rows * strip.pitch_mm),
        ),
    )


def _seam_labels(log: QualityLog) -> list[tuple[float, str]]:
    """Every place of a seam on the strip, in order, with its two frames where there is room."""
    seams = sorted(
        (place, f"{seam.left + 1}|{seam.right + 1}")
        for seam in log.seams
        for place in all_places(log, seam.s_mm)
    )
    labelled, last = [], -math.inf
    for place, label in seams:
        roomy = place - last >= _SEAM_GAP_MM + _SEAM_DIGIT_MM * len(label)
        labelled.append((place, label if roomy else ""))
        last = place if roomy else last
    return labelled


def _axial_marks(strip: StripFacts) -> tuple[Mark, ...]:
    top = strip.z_first_mm - 0.5 * strip.pitch_mm
    height = strip.rows * strip.pitch_mm
    step = next((step for step in (5.0, 10.0, 20.0, 50.0) if height / step <= 8), 100.0)
    return tuple(
        Mark(round(100 * (z - top) / height, 3), number(z, 0, sign=True), strong=z == 0)
        for z in _multiples(step, top, top + height)
    )


def _clock_step_min(circumference_mm: float) -> int:
    return next(
        (
            minutes
            for minutes in _CLOCK_STEPS_MIN
            if circumference_mm * minutes / 720 >= _CLOCK_SPACING_MM
        ),
        _CLOCK_STEPS_MIN[-1],
    )


def _multiples(step: float, start: float, stop: float) -> list[float]:
    """The multiples of ``step`` in [start, stop]."""
    return [step * k for k in range(math.ceil(start / step), math.floor(stop / step) + 1)]


def millimetre_marks(
    first_mm: float, pixels: slice, pitch_mm: float, most: int, *, sign: bool = False
) -> tuple[Mark, ...]:
    """Marks beside some pixels of an axis whose first pixel lies at ``first_mm``: about ``most`` at
    the most, at round millimetres, each with its label."""
    start = first_mm + (pixels.start - 0.5) * pitch_mm
    length = (pixels.stop - pixels.start) * pitch_mm
    step = next((step for step in (1.0, 2.0, 5.0, 10.0, 20.0) if length / step <= most), 50.0)
    return tuple(
        Mark(round(100 * (place - start) / length, 3), number(place, 0, sign=sign))
        for place in _multiples(step, start, start + length)
    )
