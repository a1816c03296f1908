"""What lead marks a weld has, as the config tells: its tables ``tape`` and ``datum``."""

from __future__ import annotations

from typing import Annotated

from pydantic import ConfigDict, Field
from pydantic.dataclasses import dataclass

_FINITE = ConfigDict(extra="forbid", allow_inf_nan=False)

_Band = Annotated[
    tuple[float, float], Field(description="along the pipe, [from, to], as the strip counts it")
]
_Width = Annotated[float, Field(gt=0, le=50, description="width along the scan, in millimetres")]
_Tolerance = Annotated[float, Field(gt=0, description="how far it may lie from where it should be")]


@dataclass(frozen=True, slots=True, config=_FINITE)
class TapePlan:
    """A location tape: equally spaced ticks of lead, laid along the weld from ``first_mm`` on."""

    z_mm: _Band
    """A band that lies within every tick, and in which nothing else does."""
    spacing_mm: Annotated[float, Field(gt=0, le=1000)] = 10.0
    """From one tick to the next along the tape."""
    width_mm: _Width = 0.5
    """A tick's width along the scan."""
    first_mm: float = 0.0
    """Where the tape's tick 0 should lie, from the datum."""
    height_mm: Annotated[float, Field(ge=0, le=100)] = 0.0
    """How high the tape's middle lies above the outer surface: half its thickness, coating. The
    ticks then lie closer together on the surface."""
    long_z_mm: _Band | None = None
    """A band that only the ticks that are numbered reach into, with their length or figure."""
    long_every: Annotated[int, Field(ge=2, le=1000)] = 10
    """Every which tick does; used with ``long_z_mm`` only."""
    tolerance_mm: _Tolerance = 1.0
    """How far any tick may lie from where it should be, as exact as the tape was made and laid."""


@dataclass(frozen=True, slots=True, config=_FINITE)
class DatumPlan:
    """A single mark of lead that was laid at a known distance from the datum."""

    z_mm: _Band
    """A band that the mark runs through, and in which nothing else lies near it."""
    width_mm: _Width
    """Its width along the scan."""
    marker_mm: float = 0.0
    """Where its middle should lie, from the datum."""
    search_mm: Annotated[float, Field(gt=0)] = 20.0
    """How far from there it is looked for."""
    tolerance_mm: _Tolerance = 1.0
    """How far from there it may lie."""
