"""Image quality as a page lists it: every measure beside what is asked of it, in words."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import groupby

from pipeline.outputs.drawing.words import clock_position, limit, number, with_unit
from pipeline.outputs.report.told.check_words import CHECK_TITLES, outcome_word
from pipeline.quality.log import QualityLog, QualityMeasure

MEASURE_TITLES = {
    "noise.snr_n_typical": "Normalised signal-to-noise ratio, typical",
    "noise.snr_strip": "Signal-to-noise ratio of the strip’s own pixels",
    "noise.snr_panel": "Signal-to-noise ratio as on the panel’s pixels",
    "noise.snr_n_without_surface": "Normalised signal-to-noise ratio, were the metal smooth",
    "noise.surface_part": "Part of the noise that is the metal’s surface",
    "noise.white_factor": "Noise that neighbouring pixels share",
    "noise.snr_frame": "Signal-to-noise ratio of the source frames",
    "noise.snr_n_frame": "Normalised signal-to-noise ratio of the source frames",
    "sharpness.image_sr_b_mm": "Basic spatial resolution of the image",
    "sharpness.image_unsharpness_mm": "Unsharpness of the image",
    "sharpness.detector_sr_b_mm": "Basic spatial resolution of the panel",
    "contrast.attenuation_per_mm": "Attenuation in the metal",
    "contrast.sensitivity": "Contrast sensitivity",
    "geometry.magnification": "Magnification of the inner surface",
    "levels.gray_low": "Darkest gray values",
    "levels.gray_high": "Brightest gray values",
}
"""Plain words for measures that no check stands for."""

_SURE = 2.0  # standard deviations, as the checks judge
_MARKS = ("fail", "attention", "pass", "reported")


@dataclass(frozen=True, slots=True)
class PlaceRow:
    """A measure at one place; ``mark`` is the name of a shape, ``word`` says the same."""

    mark: str
    word: str
    where: str
    value: str
    margin: str
    told: tuple[str, ...]
    remedy: str


@dataclass(frozen=True, slots=True)
class MeasureRow:
    """A measure with what is asked of it, and what was found at each place.

    ``told`` and ``remedy`` hold for all places; what holds for one only stands there.
    """

    title: str
    id: str
    asked: str
    basis: str
    told: tuple[str, ...]
    remedy: str
    places: tuple[PlaceRow, ...]

    @property
    def mark(self) -> str:
        """The worst mark of its places."""
        return min((place.mark for place in self.places), key=_MARKS.index)

    @property
    def word(self) -> str:
        """What that mark says."""
        return next(place.word for place in self.places if place.mark == self.mark)


def measure_rows(log: QualityLog) -> tuple[MeasureRow, ...]:
    """All measures of a log, those of which something is asked first, else in the log's order."""
    order = {one.id: k for k, one in reversed(list(enumerate(log.measures)))}

    def key(one: QualityMeasure) -> tuple[bool, int, str, float]:
        return one.required is None, order[one.id], one.basis, one.required or 0.0

    return tuple(
        _row(log, list(same)) for _, same in groupby(sorted(log.measures, key=key), key=key)
    )


def value_with_sigma(value: float, sigma: float | None, unit: str) -> str:
    """``0.1059 ± 0.0012 mm``: both to the standard deviation's second digit, in one piece."""
    if not sigma:
        return with_unit(number(value, 0 if unit == "places" else None), unit)
    return _with_sigma(value, sigma, unit, _decimals(sigma, 2))


def _with_sigma(value: float, sigma: float, unit: str, decimals: int) -> str:
    return with_unit(f"{number(value, decimals)}\u00a0±\u00a0{number(sigma, decimals)}", unit)


def _decimals(sigma: float, digits: int) -> int:
    """Decimals that show so many digits of a standard deviation."""
    return max(0, digits - 1 - math.floor(math.log10(sigma)))


def asked_text(one: QualityMeasure) -> str:
    """What is asked: ``at least 140``; empty where nothing is."""
    if one.required is None:
        return ""
    return f"at {one.bound} {with_unit(limit(one.required), one.unit)}"


def mark_of(log: QualityLog, one: QualityMeasure) -> str:
    """The shape that says how a measure lies to what is asked, as its check judges it.

    A remedy beside what is met tells of a doubt. The check is the worst of all places, so none is
    worse: a condition may allow less than what is asked.
    """
    if one.required is None:
        return "reported"
    unsure = _SURE * (one.sigma or 0.0)
    if one.margin is None or -unsure <= one.margin < unsure:
        found = "attention"
    elif one.margin < 0:
        found = "fail"
    else:
        found = "attention" if one.remedy else "pass"
    check = next((check.verdict.value for check in log.checks if check.id == one.id), found)
    return max(found, check, key=_MARKS.index)


def place_text(log: QualityLog, one: QualityMeasure) -> str:
    """Where it was measured, and the gauge's element; empty for the whole strip."""
    parts = []
    if one.s_mm is not None:
        strip = log.strip
        clock = clock_position(
            one.s_mm, strip.circumference_mm, clockwise=strip.direction == "clockwise"
        )
        parts.append(f"at {number(one.s_mm, 0)} mm, {clock} o’clock")
    if one.name:
        parts.append(one.name)
    return ", ".join(parts)


def _row(log: QualityLog, same: Sequence[QualityMeasure]) -> MeasureRow:
    common = _common(same)
    remedies = {one.remedy for one in same}
    remedy = remedies.pop() if len(remedies) == 1 else ""
    first = same[0]
    return MeasureRow(
        CHECK_TITLES.get(first.id) or MEASURE_TITLES.get(first.id) or first.id,
        first.id,
        asked_text(first),
        "" if first.required is None else first.basis,
        common,
        remedy,
        tuple(
            _place(log, one, common, "" if remedy else one.remedy, _column_decimals(same))
            for one in same
        ),
    )


def _column_decimals(same: Sequence[QualityMeasure]) -> int | None:
    """Decimals of all values of a column: the greatest standard deviation's second digit, but no
    fewer than show the first of the least; None where none is known."""
    sigmas = [one.sigma for one in same if one.sigma and one.value is not None]
    return max(_decimals(max(sigmas), 2), _decimals(min(sigmas), 1)) if sigmas else None


def _place(
    log: QualityLog,
    one: QualityMeasure,
    common: Sequence[str],
    remedy: str,
    decimals: int | None,
) -> PlaceRow:
    mark = mark_of(log, one)
    missing = one.value is None
    margin, value = "", "–"
    if one.value is not None and one.sigma and decimals is not None:
        value = _with_sigma(one.value, one.sigma, one.unit, decimals)
    elif one.value is not None:
        value = value_with_sigma(one.value, None, one.unit)
        decimals = _decimals(abs(one.value), 3) if one.value else None
    if one.margin is not None:
        margin = number(one.margin, decimals, sign=True)
    return PlaceRow(
        mark,
        "not measured" if missing else outcome_word(mark),
        place_text(log, one),
        value,
        margin,
        tuple(part for part in _sentences(one) if part not in common),
        remedy,
    )


def _sentences(one: QualityMeasure) -> tuple[str, ...]:
    """What a record tells of itself, in its parts, each once."""
    return tuple(dict.fromkeys(p for p in f"{one.note}; {one.method}".split("; ") if p))


def _common(same: Sequence[QualityMeasure]) -> tuple[str, ...]:
    """The sentences that all have, in the first one's order."""
    rest = [set(_sentences(one)) for one in same[1:]]
    return tuple(part for part in _sentences(same[0]) if all(part in other for other in rest))
