"""Where indications and suggestions lie in a picture of the strip, as boxes in percent of it."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from pipeline.outputs.report.views.places import turns_mm
from pipeline.quality.log import QualityLog

BESIDE_MM = 0.5
"""How far outside what was marked its box is drawn, so that no line lies on what it shows."""

_LABEL_PERCENT = 12.0  # so near an edge a label beyond the box would be cut off
_RIGHT_PERCENT = 92.0


@dataclass(frozen=True, slots=True)
class MarkedPlace:
    """A place with its label: an indication's id, or "?1", "?2", … for what is ``suggested``.

    ``last_mm`` is not less than ``first_mm``: a place across a ring's datum ends past the
    circumference. Millimetres from the datum, and along the pipe.
    """

    label: str
    suggested: bool
    first_mm: float
    last_mm: float
    low_mm: float
    high_mm: float


@dataclass(frozen=True, slots=True)
class Box:
    """A place's box in percent of a picture's width and height, and where its label stands: above
    its left end, or ``below`` it, or at its right end."""

    label: str
    suggested: bool
    left: float
    top: float
    width: float
    height: float
    below: bool
    at_end: bool


def indicated_places(log: QualityLog) -> tuple[MarkedPlace, ...]:
    """The indications that lie on the strip."""
    if log.indications is None:
        return ()
    found = []
    for one in log.indications.indications:
        first, last = one.s_first_mm, one.s_last_mm
        low, high = one.z_first_mm, one.z_last_mm
        if first is None or last is None or low is None or high is None:
            continue
        found.append(_place(log, one.id, False, first.value, last.value, low.value, high.value))
    return tuple(found)


def suggested_places(log: QualityLog) -> tuple[MarkedPlace, ...]:
    """The suggestions, labelled in their order."""
    suggested = (log.indications.suggestions or ()) if log.indications else ()
    return tuple(
        _place(log, f"?{k}", True, *one.box_mm) for k, one in enumerate(suggested, start=1)
    )


def boxes_in(
    log: QualityLog,
    places: Iterable[MarkedPlace],
    *,
    across_mm: tuple[float, float],
    along_mm: tuple[float, float],
) -> tuple[Box, ...]:
    """The boxes of what a picture shows of these places; ``across_mm`` are its left and right edge
    from the datum, ``along_mm`` its upper and lower one along the pipe."""
    (left_mm, right_mm), (top_mm, bottom_mm) = across_mm, along_mm
    width_mm, height_mm = right_mm - left_mm, bottom_mm - top_mm
    boxes = []
    for place in places:
        for turn_mm in turns_mm(log):
            first = place.first_mm + turn_mm - BESIDE_MM
            last = place.last_mm + turn_mm + BESIDE_MM
            low, high = place.low_mm - BESIDE_MM, place.high_mm + BESIDE_MM
            if last <= left_mm or first >= right_mm or high <= top_mm or low >= bottom_mm:
                continue
            left, top = 100 * (first - left_mm) / width_mm, 100 * (low - top_mm) / height_mm
            bottom = 100 * (high - top_mm) / height_mm
            # Labels of suggestions stand on the other side, as many lie on indications.
            below = bottom < 100 - _LABEL_PERCENT if place.suggested else top < _LABEL_PERCENT
            boxes.append(
                Box(
                    place.label,
                    place.suggested,
                    left=round(left, 3),
                    top=round(top, 3),
                    width=round(100 * (last - first) / width_mm, 3),
                    height=round(100 * (high - low) / height_mm, 3),
                    below=below,
                    at_end=left > _RIGHT_PERCENT,
                )
            )
    return tuple(boxes)


def _place(
    log: QualityLog,
    label: str,
    suggested: bool,
    first_mm: float,
    last_mm: float,
    low_mm: float,
    high_mm: float,
) -> MarkedPlace:
    if last_mm < first_mm and log.strip.ring:
        last_mm += log.strip.circumference_mm
    return MarkedPlace(label, suggested, first_mm, max(first_mm, last_mm), low_mm, high_mm)
