"""Which image quality indicators a weld carries and where, as the config tells: tables ``iqi``."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import ConfigDict, Field
from pydantic.dataclasses import dataclass

_FINITE = ConfigDict(extra="forbid", allow_inf_nan=False)


@dataclass(frozen=True, slots=True, config=_FINITE)
class IqiPlan:
    """An image quality indicator (IQI) on the weld: single wires, or pairs of wires (duplex)."""

    kind: Literal["wire", "duplex"]
    """``wire``: single wires of falling diameter; ``duplex``: pairs of them."""
    s_mm: float
    """Where the middle of all its wires lies along the scan, from the datum."""
    z_mm: float
    """Where it lies along the pipe, as the strip counts it."""
    direction: Literal["s", "z"] = "s"
    """Along what its wires follow one another: ``s`` where they lie across the weld."""
    side: Literal["detector", "source"] = "detector"
    """Which side of the wall it lies on: one on the source's side is seen larger."""
    search_mm: Annotated[float, Field(gt=0, le=50)] = 5.0
    """How far from there it is looked for, both ways."""
    length_mm: Annotated[float, Field(ge=2, le=100)] = 25.0
    """How long its wires are; a little less does no harm."""
    set: Annotated[int, Field(ge=1, le=99)] = 10
    """``wire`` only: the number of its thickest wire, after which sets are called."""
    wires: Annotated[int, Field(ge=3, le=20)] = 7
    """``wire`` only: how many it has, numbered on from ``set``."""
    spacing_mm: Annotated[float, Field(gt=0.5, le=20)] = 5.0
    """From one wire, or pair, to the next."""
    material: str = ""
    """What the wires are made of, as the gauge says; a note only."""

    @property
    def numbers(self) -> range:
        """The numbers of a single-wire gauge's wires."""
        return range(self.set, self.set + self.wires)
