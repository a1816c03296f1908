"""A requirement on a weld's image, and what of the weld it depends on, as records."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from pipeline.geometry import Arrangement
from pipeline.quality.asked.profile_rows import Side, TestingClass, View

SNR_N = "noise.snr_n"
SR_B = "sharpness.sr_b_mm"
UNSHARPNESS = "sharpness.unsharpness_mm"
WIRE = "iqi.wire_mm"
WIRE_POSITIONS = "iqi.wire_positions"
DISTANCE = "geometry.source_distance_mm"
UG = "geometry.unsharpness_mm"
AREA = "geometry.thickness_ratio"
"""Ids of the requirements, and of the checks that hold measures against them."""


class Bound(StrEnum):
    """On which side of its value a requirement is met."""

    LEAST = "least"
    MOST = "most"


@dataclass(frozen=True, slots=True)
class Requirement:
    """One requirement: the measure ``id`` must be at least, or at most, ``value``.

    ``name`` is the element of a gauge that the value stands for (``W13``, ``D10``), if any.
    ``basis`` names standard, edition, table and how sure the row is; ``note`` what was reckoned
    with. ``slack`` is the value down or up to which the rules allow less under a condition that the
    note tells; None: nothing.
    """

    id: str
    bound: Bound
    value: float
    unit: str
    basis: str
    name: str = ""
    note: str = ""
    slack: float | None = None

    def margin(self, value: float) -> float:
        """How far ``value`` lies on the good side, in its unit; negative where it is not met."""
        return value - self.value if self.bound is Bound.LEAST else self.value - value


@dataclass(frozen=True, slots=True)
class WeldCase:
    """What the requirements of a weld depend on.

    ``wall_mm`` is nominal. ``flush``: without cap and root, so that beside the weld as much is
    penetrated as in it. ``iqi_side`` is where the gauges lie; ``central`` whether the source stands
    at the pipe's centre. ``kv`` is None where it isn't told.
    """

    testing_class: TestingClass
    wall_mm: float
    diameter_mm: float
    material: str
    arrangement: Arrangement
    kv: float | None = None
    source: str = "x_ray"
    flush: bool = False
    iqi_side: Side = "source"
    ring: bool = True

    @property
    def view(self) -> View:
        """How many walls are looked through, as tables name it."""
        return "double_wall" if self.arrangement is Arrangement.TWO_WALL else "single_wall"

    @property
    def penetrated_mm(self) -> float:
        """Nominal thickness of all walls that the beam goes through."""
        return self.wall_mm * (2 if self.view == "double_wall" else 1)

    @property
    def gauge_side(self) -> Side:
        """Where the gauges count as lying: through two walls one image is made with them at the
        panel."""
        return "detector" if self.view == "double_wall" else self.iqi_side


@dataclass(frozen=True, slots=True)
class Untold:
    """A requirement that could not be told, and why."""

    id: str
    why: str


@dataclass(frozen=True, slots=True)
class Requirements:
    """What must be met, and what could not be told."""

    asked: tuple[Requirement, ...]
    untold: tuple[Untold, ...] = ()

    def of(self, requirement_id: str) -> Requirement | None:
        """The requirement of that id; None if nothing is asked."""
        return next((one for one in self.asked if one.id == requirement_id), None)


NOTHING_ASKED = Requirements(())
