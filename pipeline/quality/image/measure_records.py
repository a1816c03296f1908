"""Image quality in the quality log: single measures beside what is asked, and series."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import ConfigDict, Field
from pydantic.dataclasses import dataclass

_FINITE = ConfigDict(extra="forbid", allow_inf_nan=False)

_NotNegative = Annotated[float, Field(ge=0)]


@dataclass(frozen=True, slots=True, config=_FINITE)
class QualityMeasure:
    """One measure of image quality beside what is asked of it.

    ``sigma`` is its standard deviation; ``required`` what a profile asks, ``least`` or ``most`` by
    ``bound``; ``margin`` how far the value lies on the good side, negative where it is not met; all
    null where nothing is asked or known. ``name`` is the gauge's element that the value stands for,
    ``s_mm``, ``z_mm`` where it was measured, null for the whole strip. ``basis`` is "none" where
    nothing is asked; ``method`` says how it was measured, ``remedy`` what would mend it.
    """

    id: Annotated[str, Field(min_length=1)]
    value: float | None
    unit: str
    sigma: _NotNegative | None = None
    required: float | None = None
    bound: Literal["least", "most"] | None = None
    margin: float | None = None
    name: str = ""
    s_mm: float | None = None
    z_mm: float | None = None
    basis: Annotated[str, Field(min_length=1)] = "none"
    method: str = ""
    note: str = ""
    remedy: str = ""


@dataclass(frozen=True, slots=True, config=_FINITE)
class Series:
    """A measure along the strip: values with standard deviations at places from the datum, all of
    one length; null where it isn't known there, ``sigma`` empty where it is known nowhere."""

    id: Annotated[str, Field(min_length=1)]
    unit: str
    s_mm: tuple[float, ...]
    value: tuple[float | None, ...]
    sigma: tuple[float | None, ...]
    note: str = ""

    def __post_init__(self) -> None:
        if len(self.value) != len(self.s_mm) or len(self.sigma) not in (0, len(self.s_mm)):
            raise ValueError(f"{self.id}: places, values and standard deviations differ in number")
