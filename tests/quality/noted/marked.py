"""Marks on drawn welds, measured."""

from __future__ import annotations

from pipeline.quality.noted.indication import Indication, IndicationList, MeasuredIndication
from pipeline.quality.noted.indications import measure_indications
from tests.quality.seen_strips import PITCH_MM, Weld

PIXEL_MM = 1.5 * PITCH_MM
"""Edges lie at half of the greatest contrast: noise makes the greatest a little greater, and each
of two ends may fall one pixel short, or half of one past it."""


def box(s0: float, s1: float, z0: float, z1: float, **told: str) -> Indication:
    return Indication(told.get("id", "1"), told.get("kind", "pore"), "", (s0, s1, z0, z1))


def measured(weld: Weld, *marks: Indication, seed: int = 1, **told) -> IndicationList:
    return measure_indications(
        weld.picture(seed), marks, weld.places(**told), window_mm=300.0, weld=weld.line()
    )


def one(weld: Weld, mark: Indication, **told) -> MeasuredIndication:
    return measured(weld, mark, **told).indications[0]
