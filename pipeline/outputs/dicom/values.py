"""Values as DICOM's value representations want them (PS3.5 section 6.2)."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime
from typing import Any

from pydicom.dataset import Dataset
from pydicom.sequence import Sequence
from pydicom.valuerep import DSfloat

LO, SH, CS = 64, 16, 16
"""The most characters of these representations."""
ST, LT = 1024, 10240
_PN = 64
_CUT = "..."


def line(text: str, most: int = LO) -> str:
    """Text of a representation that knows no line breaks and takes a backslash for a separator.

    What is longer than ``most`` is cut, and ends in three dots.
    """
    plain = "".join(letter if letter.isprintable() else " " for letter in text.replace("\\", "/"))
    return _cut(plain.strip(), most)


def prose(text: str, most: int = ST) -> str:
    """Text that may have lines, cut like ``line``."""
    kept = "".join(letter for letter in text if letter.isprintable() or letter == "\n")
    return _cut(kept.strip().replace("\n", "\r\n"), most)


def person(name: str) -> str:
    """A person's name, all of it as its first part: which word is the family's isn't known."""
    return line(name.replace("^", " ").replace("=", " "), _PN)


def number(value: float) -> DSfloat:
    """A decimal string, rounded to what its sixteen characters hold."""
    return DSfloat(float(value), auto_format=True)


def numbers(values: Iterable[float]) -> list[DSfloat]:
    """Several decimal strings."""
    return [number(value) for value in values]


def date(moment: datetime) -> str:
    """The day."""
    return moment.strftime("%Y%m%d")


def clock(moment: datetime) -> str:
    """The time of day, with a fraction of a second where it has one."""
    return moment.strftime("%H%M%S.%f" if moment.microsecond else "%H%M%S")


def zone(moment: datetime) -> str | None:
    """The offset from UTC; None where it isn't told."""
    return moment.strftime("%z")[:5] or None


def date_time(moment: datetime) -> str:
    """Day, time and offset from UTC in one."""
    return date(moment) + clock(moment) + (zone(moment) or "")


def coded(value: str, meaning: str, scheme: str = "DCM") -> Sequence:
    """A code sequence of one item; without another scheme the code is of PS3.16 annex D."""
    return items(item(CodeValue=value, CodingSchemeDesignator=scheme, CodeMeaning=meaning))


def item(**elements: Any) -> Dataset:
    """A dataset of elements by keyword; those that are None are left out."""
    made = Dataset()
    fill(made, **elements)
    return made


def items(*datasets: Dataset) -> Sequence:
    """A sequence."""
    return Sequence(datasets)


def fill(dataset: Dataset, **elements: Any) -> None:
    """Set elements by keyword; those that are None are left out."""
    for keyword, value in elements.items():
        if value is not None:
            setattr(dataset, keyword, value)


def _cut(text: str, most: int) -> str:
    return text if len(text) <= most else text[: most - len(_CUT)].rstrip() + _CUT
