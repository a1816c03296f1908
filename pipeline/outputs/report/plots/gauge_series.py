"""The image quality indicators of a log, put together from its series and measures."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.model import FloatArray
from pipeline.quality.log import QualityLog, QualityMeasure, Series

_NAME = re.compile(r"iqi\.(\d+)\.(wire|duplex)\.(depth|gray_value)")
_DIRECTION = re.compile(r"places are along ([sz])")
_PLACE = re.compile(r"gauge at (\S+) mm")
_MEASURES = {"wire": ("iqi.wire_mm",), "duplex": ("sharpness.sr_b_mm", "sharpness.image_sr_b_mm")}


@dataclass(frozen=True, slots=True)
class Gauge:
    """An indicator that was read: the profile across its wires, and what each element shows.

    ``across`` are the places in mm of ``profile``; those of a duplex gauge begin anywhere.
    ``marks`` are contrast to noise of each wire, or the dip of each pair in per cent, NaN where
    none is seen, at ``marks_at``. ``numbers`` and ``seen`` are the wires', empty where the log
    doesn't tell them. ``measure`` is what the gauge says.
    """

    number: int
    kind: str
    direction: str
    across: FloatArray
    profile: FloatArray
    marks_at: FloatArray
    marks: FloatArray
    numbers: tuple[int, ...]
    seen: tuple[bool, ...]
    measure: QualityMeasure


def gauges_of(log: QualityLog) -> tuple[Gauge, ...]:
    """The indicators whose profiles a log holds, in their order."""
    named = {one.id: one for one in log.series}
    profiles = [
        (int(match[1]), match[2], one)
        for one in log.series
        if (match := _NAME.fullmatch(one.id)) is not None
    ]
    found = []
    for kind, ids in _MEASURES.items():
        own = [(number, one) for number, of, one in profiles if of == kind]
        measures = [one for one in log.measures if one.id in ids]
        for (number, profile), measure in _matched(own, measures):
            found.append(_gauge(number, kind, profile, named, measure))
    return tuple(sorted(found, key=lambda one: one.number))


def _matched(
    profiles: Sequence[tuple[int, Series]], measures: Sequence[QualityMeasure]
) -> list[tuple[tuple[int, Series], QualityMeasure]]:
    """Each profile with its gauge's measure: both stand in the gauges' order, but a gauge that
    wasn't found has no profile; then the measure nearest to where the gauge was told to lie."""
    if len(profiles) == len(measures):
        return list(zip(profiles, measures, strict=True))
    rest = [one for one in measures if one.s_mm is not None]
    found = []
    for numbered in profiles:
        told = _PLACE.match(numbered[1].note)
        if told is None or not rest:
            continue
        place = float(told[1])
        nearest = min(rest, key=lambda one: (one.value is None, abs((one.s_mm or 0.0) - place)))
        rest.remove(nearest)
        found.append((numbered, nearest))
    return found


def _gauge(
    number: int, kind: str, profile: Series, named: dict[str, Series], measure: QualityMeasure
) -> Gauge:
    head = f"iqi.{number}.{kind}"
    marks = named.get(f"{head}.cnr" if kind == "wire" else f"{head}.dip_percent")
    numbers, seen = named.get(f"{head}.number"), named.get(f"{head}.seen")
    direction = _DIRECTION.search(profile.note)
    return Gauge(
        number,
        kind,
        direction[1] if direction else "s",
        np.array(profile.s_mm, dtype=np.float64),
        np.array(profile.value, dtype=np.float64),
        np.array(marks.s_mm if marks else (), dtype=np.float64),
        np.array(marks.value if marks else (), dtype=np.float64),
        tuple(round(value or 0) for value in numbers.value) if numbers else (),
        tuple(bool(value) for value in seen.value) if seen else (),
        measure,
    )
