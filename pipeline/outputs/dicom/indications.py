"""A reviewer's indications in group 0014: the evaluator, and what was noted and measured.

What the items of the two inner sequences hold is taken from DICOM where the names of PS3.6 alone
don't tell: numeric values with coded units, outlines as in a presentation state. There is no
disposition: nothing here judges an indication.
"""

from __future__ import annotations

from collections.abc import Iterator

from pydicom.dataset import Dataset
from pydicom.sequence import Sequence

from pipeline.outputs.dicom.values import SH, coded, item, items, line, number, person, prose
from pipeline.quality.noted.indication import Figure, IndicationList, MeasuredIndication

_UNITS = {"mm": "millimeter", "mm2": "square millimeter", "1": "no units"}


def evaluator(name: str, noted: IndicationList) -> Sequence:
    """The evaluator, unnamed if nobody says who it was, with all indications."""
    return items(
        item(
            EvaluatorNumber=1,
            EvaluatorName=person(name),
            EvaluationAttempt=1,
            IndicationSequence=Sequence(
                [_indication(k, one) for k, one in enumerate(noted.indications, start=1)]
            ),
        )
    )


def label(one: MeasuredIndication) -> str:
    """What stands beside an indication."""
    return f"{one.id} {one.kind}".strip()


def _indication(index: int, one: MeasuredIndication) -> Dataset:
    return item(
        IndicationNumber=index,
        IndicationLabel=line(one.id, SH),
        IndicationDescription=prose("\n".join(filter(None, [label(one), one.note, one.why_not]))),
        IndicationPhysicalPropertySequence=Sequence(list(_properties(one))) or None,
    )


def _properties(one: MeasuredIndication) -> Iterator[Dataset]:
    told = [
        ("s first", one.s_first_mm, "mm"),
        ("s last", one.s_last_mm, "mm"),
        ("z first", one.z_first_mm, "mm"),
        ("z last", one.z_last_mm, "mm"),
        ("length marked", one.length_mm, "mm"),
        ("contrast", one.contrast, "1"),
        ("CNR", one.cnr, "1"),
    ]
    if one.seen is not None:
        told += [
            ("length seen", one.seen.length_mm, "mm"),
            ("width seen", one.seen.width_mm, "mm"),
            ("area seen", one.seen.area_mm2, "mm2"),
        ]
    for name, figure, unit in told:
        if figure is not None:
            yield from _property(name, figure, unit)


def _property(name: str, figure: Figure, unit: str) -> Iterator[Dataset]:
    """A figure, and its standard deviation beside it."""
    for words, value in ((name, figure.value), (f"{name} sd", figure.sigma)):
        yield item(
            PropertyLabel=line(words, SH),
            NumericValue=number(value),
            MeasurementUnitsCodeSequence=coded(unit, _UNITS[unit], "UCUM"),
        )
