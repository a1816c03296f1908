"""Indications and suggestions as close-ups: each with its box and scales."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from pipeline.model import FlagImage, RawImage
from pipeline.outputs.drawing.words import clock_position, number
from pipeline.outputs.report.views.close_up import CloseUp, close_up
from pipeline.outputs.report.views.marked_places import (
    Box,
    MarkedPlace,
    boxes_in,
    indicated_places,
    suggested_places,
)
from pipeline.quality.log import QualityLog

LONGEST_MM = 60.0
"""Of a longer place the close-up shows the middle."""

_AROUND_MM = 4.0
_LEAST_FLAT = 0.3  # height over width, at the least: a thin stripe shows nothing beside it


@dataclass(frozen=True, slots=True)
class PlaceView:
    """A place's close-up and the boxes in it: ``title`` names it, ``where`` it lies."""

    title: str
    where: str
    picture: CloseUp
    boxes: tuple[Box, ...]


def indication_views(log: QualityLog, strip: RawImage, origin: FlagImage) -> tuple[PlaceView, ...]:
    """Every indication that the strip shows, in the reviewer's order."""
    kinds = {one.id: one.kind for one in (log.indications.indications if log.indications else ())}
    places = indicated_places(log)
    titles = (f"{place.label}: {kinds[place.label]}" for place in places)
    return _views(log, strip, origin, zip(titles, places, strict=True))


def suggestion_views(log: QualityLog, strip: RawImage, origin: FlagImage) -> tuple[PlaceView, ...]:
    """Every suggestion, in its table's order."""
    places = suggested_places(log)
    return _views(log, strip, origin, ((place.label, place) for place in places))


def _views(
    log: QualityLog,
    strip: RawImage,
    origin: FlagImage,
    titled: Iterable[tuple[str, MarkedPlace]],
) -> tuple[PlaceView, ...]:
    shown = ((title, place, _picture(log, strip, origin, place)) for title, place in titled)
    return tuple(
        PlaceView(title, _where(log, place), picture, _boxes(log, place, picture))
        for title, place, picture in shown
        if picture is not None
    )


def _picture(
    log: QualityLog, strip: RawImage, origin: FlagImage, place: MarkedPlace
) -> CloseUp | None:
    half_s = 0.5 * min(place.last_mm - place.first_mm, LONGEST_MM) + _AROUND_MM
    half_z = max(0.5 * (place.high_mm - place.low_mm) + _AROUND_MM, _LEAST_FLAT * half_s)
    return close_up(
        log,
        strip,
        origin,
        s_mm=0.5 * (place.first_mm + place.last_mm),
        z_mm=0.5 * (place.low_mm + place.high_mm),
        half_s_mm=half_s,
        half_z_mm=half_z,
    )


def _boxes(log: QualityLog, place: MarkedPlace, picture: CloseUp) -> tuple[Box, ...]:
    return boxes_in(log, [place], across_mm=picture.across_mm, along_mm=picture.along_mm)


def _where(log: QualityLog, place: MarkedPlace) -> str:
    strip = log.strip
    middle_mm = 0.5 * (place.first_mm + place.last_mm)
    clock = clock_position(
        middle_mm, strip.circumference_mm, clockwise=strip.direction == "clockwise"
    )
    long = place.last_mm - place.first_mm > LONGEST_MM
    if strip.ring:
        middle_mm %= strip.circumference_mm
    return f"around {number(middle_mm, 0)}\u00a0mm, {clock}" + (", its middle" if long else "")
